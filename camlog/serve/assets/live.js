// The live part of a page: asks the server what is new, keeps the last ten minutes, and draws one strip a frame.
(function () {
  "use strict";
  const ASK_MS = 250, HIDDEN_MS = 3000, KEPT_S = 600, POINTS = 300, LOST_AFTER = 4;
  // Drawing may take this share of the time of a slow or busy computer; then the strips move less often.
  const DRAW_SHARE = 0.05, SLOWEST_MS = 1000;
  let span = 60, drive = null, cursor = 0, source = null, failures = 0, answered = "", now = 0, history = new Map(), marked = new Set();
  const text = (node, value) => { if (node && node.textContent !== value) node.textContent = value; };
  const by = (id) => document.getElementById(id);

  // ---- what came in
  function take(data) {
    if (data.fresh || data.id !== drive) { history = new Map(); if (data.id !== drive) marked = new Set(); }
    for (const event of data.events) if (event.kind === "marker") marked.add(event.time_s);
    drive = data.id; cursor = data.cursor; now = data.now_s;
    for (const [signal, [times, values]] of Object.entries(data.samples)) {
      let kept = history.get(signal);
      if (!kept) history.set(signal, kept = { t: [], v: [] });
      for (let i = 0; i < times.length; i++) { kept.t.push(times[i]); kept.v.push(values[i]); }
      const first = kept.t.findIndex((t) => t > now - KEPT_S);
      if (first > 2000 || first < 0) { kept.t.splice(0, first < 0 ? kept.t.length : first); kept.v.splice(0, first < 0 ? kept.v.length : first); }
    }
  }

  // Where a strip has more samples than it has room for, the lowest and the highest of each slice stay.
  function thinned(kept, from) {
    const x = [], y = [], { t, v } = kept;
    let i = 0;
    for (let step = t.length >> 1; step > 0; step >>= 1) while (i + step < t.length && t[i + step] < from) i += step;
    const width = span / (POINTS / 2);
    if (t.length - i <= POINTS) { for (; i < t.length; i++) { x.push(t[i] - now); y.push(v[i]); } return [x, y]; }
    // Slices are counted from the drive's beginning: the same samples stay from one drawing to the next.
    while (i < t.length) {
      const slice = Math.floor(t[i] / width);
      let low = -1, high = -1, hole = -1;
      for (; i < t.length && Math.floor(t[i] / width) === slice; i++) {
        if (v[i] === null) { hole = i; continue; }
        if (low < 0 || v[i] < v[low]) low = i;
        if (high < 0 || v[i] >= v[high]) high = i;
      }
      for (const j of [low, high].filter((j, k, all) => j >= 0 && all.indexOf(j) === k).sort((p, q) => p - q)) { x.push(t[j] - now); y.push(v[j]); }
      if (hole >= 0) { x.push(t[hole] - now); y.push(null); }
    }
    return [x, y];
  }

  // ---- strips
  function colors(chart) {
    const style = getComputedStyle(document.documentElement), of = (name) => style.getPropertyValue("--" + name).trim();
    return {
      data: { "line.color": chart.data.map((line) => of(line.meta.color)) },
      layout: { "font.color": of("ink"), "xaxis.gridcolor": of("grid"), "yaxis.gridcolor": of("grid"),
        "xaxis.linecolor": of("rule"), "yaxis.linecolor": of("rule") },
    };
  }
  function axisText() {
    const steps = span === 30 ? 5 : span === 60 ? 10 : 60, values = [], words = [];
    for (let s = -span; s <= 0; s += steps) { values.push(s); words.push(s === 0 ? "now" : span === 600 ? s / 60 + " min" : s + " s"); }
    return { "xaxis.range": [-span, 0], "xaxis.tickvals": values, "xaxis.ticktext": words };
  }
  function draw(chart) {
    const theme = document.documentElement.className + matchMedia("(prefers-color-scheme: dark)").matches;
    const layout = {}, data = { x: [], y: [] };
    let low = Infinity, high = -Infinity;
    for (const line of chart.data) {
      if (line.meta.signal === "@marks") continue;
      const kept = history.get(line.meta.signal), [x, y] = kept ? thinned(kept, now - span) : [[], []];
      data.x.push(x); data.y.push(y);
      for (const value of y) if (value !== null) { if (value < low) low = value; if (value > high) high = value; }
    }
    if (chart.camlogTheme !== theme) {
      chart.camlogTheme = theme;
      const found = colors(chart);
      Object.assign(data, found.data); Object.assign(layout, found.layout);
    }
    if (chart.camlogSpan !== span) { chart.camlogSpan = span; Object.assign(layout, axisText()); }
    if (low <= high) {
      // The scale moves only when a value leaves it or uses little of it: a strip that jumps cannot be read.
      const least = chart.layout.meta.least, held = chart.camlogRange, wide = Math.max(high - low, least);
      if (!held || low < held[0] || high > held[1] || wide < 0.4 * (held[1] - held[0])) {
        const middle = (low + high) / 2, half = 0.62 * wide;
        chart.camlogRange = layout["yaxis.range"] = [middle - half, middle + half];
      }
    }
    const across = chart.camlogRange || [], marks = { x: [], y: [] };
    for (const at of marked) if (at >= now - span && at <= now && across.length) {
      marks.x.push(at - now, at - now, at - now); marks.y.push(across[0], across[1], null);
    }
    data.x.push(marks.x); data.y.push(marks.y);
    return Object.keys(layout).length ? Plotly.update(chart, data, layout) : Plotly.restyle(chart, data);
  }
  // Strips are drawn one at a time and spread over the time they may take: several pages on one computer then
  // seldom draw at once, and no frame waits for more than one strip.
  let waiting = [], running = false, hurried = false, longest_ms = 0, paused_until_ms = 0;
  function drawNext() {
    const chart = waiting.shift(), begun_ms = performance.now();
    if (chart && chart.isConnected) draw(chart);
    const now_ms = performance.now(), pause_ms = hurried ? 12 : Math.min(longest_ms, Math.max(12, (now_ms - begun_ms) / DRAW_SHARE));
    running = waiting.length > 0;
    if (running) setTimeout(() => requestAnimationFrame(drawNext), pause_ms);
    else paused_until_ms = now_ms + pause_ms;
  }
  function drawAll(by_hand) {
    if (document.hidden || !window.Plotly || !by_hand && (running || performance.now() < paused_until_ms)) return;
    waiting = [...document.querySelectorAll(".strip .js-plotly-plot")].filter((chart) => {
      const box = chart.getBoundingClientRect();
      return chart.data && chart.layout && box.bottom > 0 && box.top < innerHeight && box.width > 0;
    });
    hurried = Boolean(by_hand);
    longest_ms = SLOWEST_MS / Math.max(1, waiting.length);
    if (!running) requestAnimationFrame(drawNext);
    running = true;
  }

  // ---- words and figures
  function camFigures(cams) {
    const place = by("cam-figures");
    if (!place) return;
    while (place.children.length > cams.length) place.lastChild.remove();
    cams.forEach((cam, i) => {
      let box = place.children[i];
      if (!box) {
        box = document.createElement("div"); box.className = "figure cam";
        for (const part of ["span", "b", "em", "small"]) box.append(document.createElement(part));
        place.append(box);
      }
      const [name, actual, command, error] = box.children;
      box.classList.toggle("stale", cam.stale);
      text(name, cam.name);
      text(actual, cam.actual === null ? "not read" : cam.actual);
      text(command, "command " + (cam.commanded === null ? "not read" : cam.commanded));
      text(error, cam.error === null ? "" : "error " + cam.error);
    });
  }
  function events(list) {
    const place = by("events");
    if (!place) return;
    const key = JSON.stringify(list);
    if (place.dataset.key === key) return;
    place.dataset.key = key;
    place.replaceChildren(...list.map((event) => {
      const item = document.createElement("li");
      item.className = "event " + event.kind;
      item.textContent = event.clock + "  " + event.kind.replace("_", " ") + (event.text ? ": " + event.text : "");
      return item;
    }));
  }
  function words(data) {
    const status = data.status;
    if (status) {
      text(by("state-word"), status.word || "Recording"); text(by("clock"), status.clock); text(by("rows"), status.rows || "");
      text(by("position"), status.clock);
      const bar = by("progress");
      if (bar && status.position_s !== undefined) bar.value = status.position_s;
    }
    if (data.id === null) return;
    for (const node of document.querySelectorAll("[data-figure]")) {
      const value = data.values[node.dataset.figure], shown = node.querySelector("b");
      node.hidden = !value;
      if (value) { text(shown, value.text); node.classList.toggle("stale", value.stale); }
    }
    camFigures(data.cams);
    const gap = by("gap-notice");
    if (gap) {
      gap.hidden = !data.gap;
      if (data.gap) text(gap, source === "/live"
        ? `No answer from the adapter since ${data.gap.since} (${Math.round(data.gap.seconds)} s). It is tried again and again, and the recording goes on by itself: check plug and cable when it is safe.`
        : `The adapter did not answer from ${data.gap.since} on.`);
    }
    text(by("rates"), data.rates.map(([what, rate]) => what + " " + rate).join(", "));
    text(by("gaps"), data.gaps.count ? `${data.gaps.count} ${data.gaps.count === 1 ? "gap" : "gaps"}, ${Math.round(data.gaps.seconds)} s in all` : "no gaps");
    text(by("codes"), data.codes ? data.codes.replace(/^codes: /, "") : "not read yet");
    const last = data.events.find((event) => event.kind === "marker");
    text(by("marks"), last ? `${data.markers} marked; the last at ${last.clock}: ${last.text}` : "");
    events(data.events);
  }

  // ---- asking
  function lostText() {
    const since = answered ? ` since ${answered}; the figures below are of then` : "";
    return source === "/live"
      ? `No connection to camlog${since}. Marks are not kept meanwhile. If only this page or the network failed, the recording goes on and the page catches up. If camlog was ended, or its computer, the recording ended with it and is saved up to then: look there.`
      : `No connection to camlog${since}.`;
  }
  async function ask() {
    const place = by("live");
    let wait = document.hidden ? HIDDEN_MS : ASK_MS;
    if (place) {
      if (source !== place.dataset.source) { source = place.dataset.source; drive = null; cursor = 0; history = new Map(); failures = 0; }
      try {
        const answer = await fetch(`${source}?id=${encodeURIComponent(drive || "")}&cursor=${cursor}&span=${KEPT_S}`,
          { signal: AbortSignal.timeout(5000) });
        if (answer.status === 401) { location.reload(); return; }  // camlog was started anew: pair again
        if (!answer.ok) throw new Error(String(answer.status));
        const data = await answer.json();
        failures = 0; answered = new Date().toTimeString().slice(0, 8);
        if (data.id === null) { drive = null; cursor = 0; } else { take(data); drawAll(); }
        words(data);
      } catch (error) { failures += 1; wait = 1000; }
      const lost = by("no-link");
      if (lost) {
        lost.hidden = failures < LOST_AFTER;
        place.classList.toggle("lost", failures >= LOST_AFTER);
        if (failures >= LOST_AFTER) text(lost, lostText());
      }
    } else source = null;
    setTimeout(ask, wait);
  }
  ask();

  // ---- by hand
  const notMarked = () => { if (failures > 0) text(by("marks"), "Not marked: no connection to camlog."); };
  document.addEventListener("click", (event) => { if (event.target.closest && event.target.closest("#mark, #mark-note")) notMarked(); }, true);
  document.addEventListener("keydown", (event) => {
    if (event.key === "Enter" && event.target.id === "note") notMarked();
    if (event.ctrlKey || event.altKey || event.metaKey || event.repeat) return;
    if (event.target.matches && event.target.matches("input[type=text], input[type=search], input:not([type]), textarea, select")) return;
    const button = by("mark");
    if ((event.key === "m" || event.key === "M") && button && button.offsetParent !== null) { event.preventDefault(); button.click(); }
  });
  const root = document.documentElement;
  function dress(choice) { root.classList.remove("day", "night"); if (choice) root.classList.add(choice); }
  try { dress(localStorage.getItem("camlog-light")); } catch (error) { /* a browser that keeps nothing */ }
  document.addEventListener("click", (event) => {
    if (!event.target.closest || !event.target.closest("#day-or-night")) return;
    const dark = root.classList.contains("night") || (!root.classList.contains("day") && matchMedia("(prefers-color-scheme: dark)").matches);
    dress(dark ? "day" : "night");
    try { localStorage.setItem("camlog-light", dark ? "day" : "night"); } catch (error) { /* as above */ }
    drawAll(true);
  });
  window.dash_clientside = window.dash_clientside || {};
  window.dash_clientside.live = {
    written(value) { return value && value.trim() ? "other" : window.dash_clientside.no_update; },
    span(value) { span = Number(value) || 60; drawAll(true); return window.dash_clientside.no_update; },
  };
})();
