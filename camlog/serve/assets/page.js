// A page's side of app.py: sends the fields with each button and every so often, and puts in what has changed.
(() => {
  "use strict";
  const WRITING_MS = 150, HIDDEN_TIMES = 4;
  const root = document.documentElement, main = document.querySelector("main"), by = (id) => document.getElementById(id);
  let sent = 0, shown = 0, writing = 0, pressed = 0;

  // ---- asking
  function fields(button) {
    const form = new URLSearchParams({ page: document.body.dataset.page, about: document.body.dataset.about, button });
    for (const field of main.querySelectorAll("[name]")) {
      if (!["radio", "checkbox"].includes(field.type) || field.checked) form.set(field.name, field.value);
    }
    const seen = [...main.querySelectorAll("[data-is]")].map((part) => [part.id, part.dataset.is]);
    form.set("seen", JSON.stringify(Object.fromEntries(seen)));
    return form;
  }
  async function ask(button = "") {
    if (button) pressed += 1;
    else if (pressed) return true;  // answered sooner it would hide what came of the button, which brings all that is new
    const number = ++sent;
    try {
      const answer = await fetch("/ask", { method: "POST", body: fields(button), signal: AbortSignal.timeout(20000) });
      if (answer.status === 401) { location.reload(); return false; }  // camlog was started anew: pair again
      if (!answer.ok) throw new Error(String(answer.status));
      const parts = await answer.json();
      if (number < shown) return true;  // a later answer is shown already
      shown = number;
      if (button) for (const field of main.querySelectorAll("input[type=text]")) field.defaultValue = field.value;  // it was sent
      put(parts, Boolean(button));
      return true;
    } catch (error) { return false; } finally { if (button) pressed -= 1; }
  }

  // ---- putting in what is new: the keyboard keeps its place, what is open stays open
  const written = (part) => [...part.querySelectorAll("input[type=text]")].some((field) => field.value !== field.defaultValue);
  function put(parts, pressed) {
    const active = document.activeElement, id = active && active.id;
    for (const [name, [digest, html]] of Object.entries(parts)) {
      const part = by(name);
      if (!part || !pressed && written(part)) continue;  // nothing that somebody is writing is taken away
      const open = [...part.querySelectorAll("details[open]")].map((one) => one.id);
      part.replaceChildren(...new DOMParser().parseFromString(html, "text/html").body.childNodes);
      part.dataset.is = digest;
      for (const one of open) if (by(one)) by(one).open = true;
    }
    if (by("goto") && by("goto").textContent) { location.assign(by("goto").textContent); return; }
    const state = by("state");
    if (state) {
      if (main.dataset.state !== state.textContent) scrollTo(0, 0);  // what is there now is read from its top
      main.dataset.state = state.textContent;
      for (const section of main.querySelectorAll("[data-when]")) section.hidden = !section.dataset.when.split(" ").includes(state.textContent);
    }
    if (active === document.activeElement && active.offsetParent !== null || !active || active === document.body) return;
    const same = id && by(id), usual = [...main.querySelectorAll("button.main, button.stop, h1")].find((one) => one.offsetParent !== null);
    const next = same && same.offsetParent !== null ? same : usual;
    if (next && next.tagName === "H1") next.tabIndex = -1;
    if (next) next.focus({ preventScroll: true });
  }

  // ---- by hand
  document.addEventListener("click", async (event) => {
    const button = event.target.closest && event.target.closest("main [data-do]");
    if (!button) return;
    if (await ask(button.dataset.do) && button.id === "mark-note") by("note").value = "";
  });
  document.addEventListener("keydown", async (event) => {
    const field = event.target, enter = field.dataset && field.dataset.enter;
    if (event.key === "Enter" && enter) {
      event.preventDefault();
      if (await ask(enter) && field.id === "note") field.value = "";
    }
    if (event.ctrlKey || event.altKey || event.metaKey || event.repeat) return;
    if (field.matches && field.matches("input:not([type=radio]):not([type=checkbox])")) return;
    const mark = by("mark");
    if ((event.key === "m" || event.key === "M") && mark && mark.offsetParent !== null) { event.preventDefault(); mark.click(); }
  });
  document.addEventListener("input", (event) => {
    const other = event.target.id === "other-port" && event.target.value.trim() && main.querySelector("#port input[value=other]");
    if (other) other.checked = true;  // what is written is meant
    if (!event.target.matches("[data-look]")) return;
    clearTimeout(writing);
    writing = setTimeout(() => ask(), WRITING_MS);
  });
  document.addEventListener("change", (event) => {
    const group = event.target.closest("[data-change]");
    if (group) ask(group.dataset.change);
  });

  // ---- day and night
  function dress(choice) { root.classList.remove("day", "night"); if (choice) root.classList.add(choice); }
  try { dress(localStorage.getItem("camlog-light")); } catch (error) { /* a browser that keeps nothing */ }
  by("day-or-night").addEventListener("click", () => {
    const dark = root.classList.contains("night") || (!root.classList.contains("day") && matchMedia("(prefers-color-scheme: dark)").matches);
    dress(dark ? "day" : "night");
    try { localStorage.setItem("camlog-light", dark ? "day" : "night"); } catch (error) { /* as above */ }
  });

  const every = Number(main.dataset.every || 0);
  let turn = 0;
  if (by("state")) main.dataset.state = by("state").textContent;
  if (every) setInterval(() => { if (!document.hidden || ++turn % HIDDEN_TIMES === 0) ask(); }, every);
  window.camlog = { ask };
})();
