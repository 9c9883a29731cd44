"use strict";
(() => {
  const HEIGHT = 30, MARGIN = 10;
  const {keys, rows, links} = JSON.parse(document.getElementById("data").textContent);
  const view = document.getElementById("rows"), space = document.getElementById("space");
  const inputs = ["search", "condition", "vehicle"].map(id => document.getElementById(id));
  const at = Object.fromEntries(keys.map((key, i) => [key, i]));
  let text = null, shown = rows.map((_, i) => i), order = null;  // the rows come in order, the worst first

  const compare = (a, b) => {
    const x = rows[a][at[order.key]], y = rows[b][at[order.key]];
    const way = order.down ? -1 : 1;
    if (x === y) return a - b;
    if (x === null || x === "") return 1;
    if (y === null || y === "") return -1;
    return x < y ? -way : way;
  };

  const draw = () => {
    const first = Math.max(Math.floor(view.scrollTop / HEIGHT) - MARGIN, 0);
    const last = Math.min(first + Math.ceil(view.clientHeight / HEIGHT) + 2 * MARGIN, shown.length);
    view.querySelectorAll(".row").forEach(row => row.remove());
    const drawn = document.createDocumentFragment();
    for (let i = first; i < last; i++) {
      const row = document.createElement("div"), values = rows[shown[i]];
      row.className = "row";
      row.style.top = `${i * HEIGHT}px`;
      for (const button of document.querySelectorAll("#head button")) {
        const key = button.dataset.key, link = key === "path" && links[shown[i]];
        const cell = document.createElement(link ? "a" : "span");
        if (link) cell.href = link;
        const value = values[at[key]];
        cell.textContent = key === "confidence" && value !== null ? `${Math.min(Math.round(100 * value), 99)} %` : value ?? "";
        cell.title = cell.textContent;
        row.append(cell);
      }
      drawn.append(row);
    }
    view.append(drawn);
  };

  const choose = () => {
    const [words, condition, vehicle] = inputs.map(input => input.value);
    const wanted = words.toLowerCase().split(/\s+/).filter(Boolean);
    if (wanted.length && !text) text = rows.map(row => row.join(" ").toLowerCase());
    shown = [];
    for (let i = 0; i < rows.length; i++) {
      if (condition && rows[i][at.state] !== condition) continue;
      if (vehicle && rows[i][at.vehicle] !== vehicle) continue;
      if (wanted.every(word => text[i].includes(word))) shown.push(i);
    }
    if (order) shown.sort(compare);
    space.style.height = `${shown.length * HEIGHT}px`;
    document.getElementById("count").textContent = `${shown.length} of ${rows.length}`;
    view.scrollTop = 0;
    draw();
  };

  for (const button of document.querySelectorAll("#head button")) {
    button.addEventListener("click", () => {
      const key = button.dataset.key;
      order = {key, down: order && order.key === key ? !order.down : false};
      document.querySelectorAll("#head button").forEach(b => b.removeAttribute("aria-sort"));
      button.setAttribute("aria-sort", order.down ? "descending" : "ascending");
      choose();
    });
  }
  inputs.forEach(input => input.addEventListener("input", choose));
  view.addEventListener("scroll", () => requestAnimationFrame(draw), {passive: true});
  choose();
  document.documentElement.dataset.ready = "1";
})();
