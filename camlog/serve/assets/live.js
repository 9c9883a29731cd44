// The live part of a page: asks what is new four times a second, and shows each cam's gauge, state and last 20 seconds.
(() => {
  "use strict";
  const ASK_MS = 250, HIDDEN_MS = 3000, KEPT_S = 20, LOST_AFTER = 4;
  const by = (id) => document.getElementById(id), text = (node, value) => { if (node && node.textContent !== value) node.textContent = value; };
  const make = (tag, name, parent) => { const node = document.createElement(tag); node.className = name; if (parent) parent.append(node); return node; };
  const place = by("live"), source = place.dataset.source, recording = source === "/live";
  let drive = null, cursor = 0, failures = 0, answered = "", now = 0, done = false, history = new Map(), marked = [];

  // ---- what came in
  function take(data) {
    if (data.fresh || data.id !== drive) history = new Map();
    marked = data.events.filter((event) => event.kind === "marker").map((event) => event.time_s);
    drive = data.id; cursor = data.cursor; now = data.now_s;
    for (const [signal, [times, values]] of Object.entries(data.samples)) {
      const kept = history.get(signal) || [];
      times.forEach((t, i) => kept.push([t, values[i]]));
      history.set(signal, kept.filter(([t]) => t > now - KEPT_S - 1));
    }
  }

  // ---- a cam: its name, what it does, its figures, the gauge, the strip, the verdict so far
  function card(cam) {
    const box = make("section", "cam"), head = make("div", "cam-head", box);
    box.dataset.cam = cam.cam;
    const parts = { box, name: make("h2", "", head), doing: make("b", "doing", head), numbers: make("span", "cam-numbers", head) };
    const gauge = make("div", "cam-gauge", box);
    gauge.setAttribute("role", "img");
    parts.gauge = gauge;
    for (const name of ["tolerance", "command", "actual"]) parts[name] = make("i", name, gauge);
    const strip = make("div", "cam-strip", box);
    const drawing = `<svg viewBox="0 0 1000 100" preserveAspectRatio="none" aria-hidden="true"><path class="grid" d="M250 0V100M500 0V100M750 0V100M0 50H1000"/><path class="marks"/><path class="command"/><path class="actual"/></svg>`;
    strip.append(new DOMParser().parseFromString(drawing, "text/html").body.firstChild);
    for (const name of ["high", "low", "ago"]) parts[name] = make("small", name, strip);
    text(parts.ago, "20 s ago");
    parts.strip = strip;
    parts.verdict = make("p", "cam-so-far", box);
    return parts;
  }
  const cards = new Map();
  function path(signal, [low, high]) {
    let line = "", open = false;
    for (const [t, v] of history.get(signal) || []) {
      if (v === null) { open = false; continue; }
      line += `${open ? "L" : "M"}${(1000 * (t - now + KEPT_S) / KEPT_S).toFixed(1)} ${(100 * (high - v) / (high - low)).toFixed(1)}`;
      open = true;
    }
    return line;
  }
  function showCams(cams, verdicts) {
    const shelf = by("cams");
    if ([...cards.keys()].join() !== cams.map((cam) => cam.cam).join()) {
      cards.clear();
      for (const cam of cams) cards.set(cam.cam, card(cam));
      shelf.replaceChildren(...[...cards.values()].map((one) => one.box));
      shelf.dataset.count = cams.length;
    }
    for (const cam of cams) {
      const one = cards.get(cam.cam), [low, high] = cam.scale, across = (v) => Math.max(0, Math.min(100, 100 * (v - low) / (high - low)));
      const [command, actual] = cam.at, verdict = verdicts[cam.cam];
      text(one.name, cam.name);
      text(one.doing, `${cam.doing.mark} ${cam.doing.word}`);
      one.doing.className = "doing " + cam.doing.state;
      text(one.numbers, `${cam.actual || "not read"}, command ${cam.commanded || "not read"}${cam.error ? ", error " + cam.error : ""}`);
      one.box.classList.toggle("stale", cam.stale);
      one.gauge.setAttribute("aria-label", `${cam.name}: ${cam.doing.word}`);
      one.command.hidden = one.tolerance.hidden = command === null; one.actual.hidden = actual === null;
      if (command !== null) {
        const from = across(command - cam.tolerance);
        one.command.style.left = across(command) + "%";
        one.tolerance.style.left = from + "%"; one.tolerance.style.width = across(command + cam.tolerance) - from + "%";
      }
      if (actual !== null) one.actual.style.left = across(actual) + "%";
      text(one.high, `${high}°`); text(one.low, `${low}°`);
      if (!document.hidden) {
        ["command", "actual"].forEach((part, i) => one.strip.querySelector("path." + part).setAttribute("d", path(cam.signals[i], cam.scale)));
        one.strip.querySelector("path.marks").setAttribute("d", marked.filter((t) => t > now - KEPT_S).map((t) => `M${(1000 * (t - now + KEPT_S) / KEPT_S).toFixed(1)} 0V100`).join(""));
      }
      text(one.verdict, `${verdict ? `${verdict.sign} So far: ${verdict.word}` : "No verdict yet"} · read ${cam.rate}`);
      one.verdict.className = "cam-so-far " + (verdict ? verdict.state : "");
      one.verdict.title = verdict ? verdict.reason : "";
    }
  }

  // ---- words and figures
  function showFigures(values) {
    const shelf = by("figures");
    for (const [name, value] of Object.entries(values)) {
      let box = shelf.querySelector(`[data-figure=${name}]`);
      if (!box) {
        box = make("span", "figure", shelf);
        box.dataset.figure = name;
        box.append(value.word + " ", make("b", ""));
      }
      text(box.querySelector("b"), value.text);
      box.classList.toggle("stale", value.stale);
    }
  }
  function showEvents(list) {
    const shelf = by("events"), key = JSON.stringify(list);
    if (!shelf || shelf.dataset.key === key) return;
    shelf.dataset.key = key;
    shelf.replaceChildren(...list.map((event) => {
      const item = make("li", "event " + event.kind);
      item.textContent = event.clock + "  " + event.kind.replace("_", " ") + (event.text ? ": " + event.text : "");
      return item;
    }));
  }
  function show(data) {
    const status = data.status, bar = by("progress"), here = by("here");
    text(by("clock"), status.clock); text(by("rows"), status.rows || "");
    if (bar && status.position_s !== undefined) {
      bar.value = status.position_s;
      const strip = document.querySelector("#scrubber svg.strip");
      if (strip && here) here.style.left = strip.getBoundingClientRect().left - by("scrubber").getBoundingClientRect().left + strip.getBoundingClientRect().width * status.position_s / bar.max + "px";
    }
    if (data.id === null) return;
    showFigures(data.values);
    showCams(data.cams, data.verdicts);
    const gap = by("gap-notice");
    gap.hidden = !data.gap;
    if (data.gap) text(gap, data.gap.text);
    text(by("gaps"), data.gaps.count ? `${data.gaps.count} ${data.gaps.count === 1 ? "gap" : "gaps"}, ${Math.round(data.gaps.seconds)} s in all` : "no gaps");
    text(by("codes"), data.codes ? data.codes.replace(/^codes: /, "") : "not read yet");
    const last = data.events.find((event) => event.kind === "marker");
    text(by("marks"), last ? `${data.markers} marked; the last at ${last.clock}: ${last.text}` : "");
    if (by("take-back")) by("take-back").dataset.do = `take-back:${last ? last.time_s : ""}`;
    showEvents(data.events);
    if (data.done && !done) alarm([880, 1320]);
    done = data.done;
  }

  // ---- the connection
  const lostText = () => `No connection to camlog${answered ? ` since ${answered}; the figures below are of then` : ""}.` + (recording
    ? " Marks are not kept meanwhile. If only this page or the network failed, the recording goes on and the page catches up. If camlog was ended, or its computer, the recording ended with it and is saved up to then: look there." : "");
  function lost(is) {
    const notice = by("no-link");
    if (is && notice.hidden) alarm([440, 330, 440, 330]);
    notice.hidden = !is;
    document.querySelector("main").classList.toggle("lost", is);
    if (is) { text(notice, lostText()); const clock = by("clock"); if (clock && !/stopped/.test(clock.textContent)) text(clock, clock.textContent + " (stopped)"); }
  }
  async function ask() {
    let wait = document.hidden ? HIDDEN_MS : ASK_MS;
    try {
      const answer = await fetch(`${source}?id=${encodeURIComponent(drive || "")}&cursor=${cursor}`, { signal: AbortSignal.timeout(5000) });
      if (answer.status === 401) { location.reload(); return; }  // camlog was started anew: pair again
      if (!answer.ok) throw new Error(String(answer.status));
      const data = await answer.json();
      failures = 0; answered = new Date().toTimeString().slice(0, 8);
      if (data.id === null) { drive = null; cursor = 0; } else take(data);
      if (data.status) show(data);
    } catch (error) { failures += 1; wait = 1000; }
    lost(failures >= LOST_AFTER);
    setTimeout(ask, wait);
  }
  ask();

  // ---- by hand
  const notMarked = () => { if (failures > 0) text(by("marks"), "Not marked: no connection to camlog."); };
  document.addEventListener("click", (event) => {
    if (event.target.closest(".marking button")) notMarked();
    const strip = event.target.closest("#scrubber svg");
    if (!strip) return;
    const box = strip.getBoundingClientRect(), whole = Number(by("scrubber").querySelector("[data-strip]").dataset.strip);
    window.camlog.ask("seek:" + (whole * (event.clientX - box.left) / box.width).toFixed(2));
  }, true);
  document.addEventListener("keydown", (event) => { if (event.key === "Enter" && event.target.id === "note") notMarked(); });

  // ---- sound and vibration, off until somebody wants them
  const sound = by("sound");
  let loud = false;
  function hear(on) { loud = on; if (sound) { sound.setAttribute("aria-pressed", String(on)); text(sound, on ? "Sound on" : "Sound off"); } }
  try { hear(localStorage.getItem("camlog-sound") === "on"); } catch (error) { /* a browser that keeps nothing */ }
  function alarm(tones) {
    if (!loud) return;
    if (navigator.vibrate) navigator.vibrate(tones.flatMap(() => [200, 100]));
    try {
      const audio = new AudioContext();
      tones.forEach((tone, i) => {
        const one = audio.createOscillator();
        one.frequency.value = tone; one.connect(audio.destination);
        one.start(audio.currentTime + 0.3 * i); one.stop(audio.currentTime + 0.3 * i + 0.22);
      });
    } catch (error) { /* a browser without sound */ }
  }
  if (sound) sound.addEventListener("click", () => {
    hear(!loud);
    try { localStorage.setItem("camlog-sound", loud ? "on" : "off"); } catch (error) { /* as above */ }
    alarm([880]);
  });
})();
