/* Draws the charts of a page from its data block. No network, nothing from the data is ever run. */
(function () {
  "use strict";
  var book = JSON.parse(document.getElementById("charts").textContent);
  var specs = book.charts, root = document.documentElement;
  var COLOR_KEYS = { color: 1, fillcolor: 1, bgcolor: 1, bordercolor: 1 };
  // The time axis is one of dates, which Plotly counts in milliseconds; small numbers it would take for years.
  var TIME_SCALE = 1000, MIDNIGHT = Date.UTC(2000, 0, 1), END = MIDNIGHT + book.end_s * TIME_SCALE;
  function moment(seconds) { return MIDNIGHT + seconds * TIME_SCALE; }
  var AROUND = 15 * TIME_SCALE; // on either side of a place on the strip
  var PAPER_PX = 660, PAPER_HALF_PX = 312, PAPER_THIRD_PX = 204, PAPER_HEIGHT = 0.78, PAPER_MOMENT = 0.6; // fits the printed page of A4 and of Letter
  var narrow = function () { return root.clientWidth < 600; };
  var coarse = window.matchMedia && matchMedia("(pointer: coarse)").matches;
  var stretch = null, drawn = 0;

  function css(name) { return getComputedStyle(root).getPropertyValue("--" + name).trim(); }

  /* A copy with colour names resolved and arrays decoded. */
  function resolved(value, key) {
    if (typeof value === "string") { return COLOR_KEYS[key] && value[0] === "@" ? css(value.slice(1)) : value; }
    if (Array.isArray(value)) { return value.map(function (v) { return resolved(v, key); }); }
    if (value && typeof value === "object") {
      if (ArrayBuffer.isView(value)) { return value; }
      if (value.bdata !== undefined) { return decoded(value); }
      var copy = {};
      Object.keys(value).forEach(function (k) { copy[k] = resolved(value[k], k); });
      return copy;
    }
    return value;
  }

  function decoded(packed) {
    var text = atob(packed.bdata), bytes = new Uint8Array(text.length);
    for (var i = 0; i < text.length; i++) { bytes[i] = text.charCodeAt(i); }
    return Array.from(new Float32Array(bytes.buffer), function (v) { return v === v ? Number(v.toPrecision(7)) : null; });
  }

  /* Decode once; a chart over the recording's time gets its seconds as milliseconds. */
  function prepare(spec) {
    if (spec.ready) { return; }
    spec.ready = true;
    spec.data.forEach(function (trace) {
      ["x", "y"].forEach(function (axis) { if (trace[axis] && trace[axis].bdata !== undefined) { trace[axis] = decoded(trace[axis]); } });
      if (spec.clock) { trace.x = trace.x.map(function (v) { return v === null ? null : moment(v); }); }
    });
    if (spec.clock) {
      (spec.layout.shapes || []).forEach(function (s) {
        if (s.xref === "x") { s.x0 = moment(s.x0); s.x1 = moment(s.x1); }
      });
      var axis = spec.layout.xaxis, form = book.end_s >= 3600 ? "%H:%M:%S" : "%M:%S";
      axis.range = axis.range.map(moment);
      axis.type = "date";
      axis.tickformatstops = [{ dtickrange: [null, 999], value: form + ".%1f" }, { dtickrange: [1000, null], value: form }];
      axis.hoverformat = form + ".%2f";
      axis.title = { text: "time in the recording, " + (book.end_s >= 3600 ? "h:min:s" : "min:s") };
    }
  }

  function themed(spec, width, height) {
    var small = width < 520;
    var layout = resolved(spec.layout, "");
    var names = spec.data.filter(function (t) { return t.showlegend !== false && t.name; }).map(function (t) { return t.name; });
    var items = names.map(function (n) { return (small ? 52 : 58) + (small ? 6.6 : 7.8) * n.length; });
    var total = items.reduce(function (sum, w) { return sum + w; }, 0), room = Math.max(width - 16, 100);
    // Plotly gives a legend that does not fit one line columns of its widest entry.
    var columns = total <= room ? names.length : Math.max(1, Math.floor(room / Math.max.apply(null, items)));
    var legendRows = names.length > 1 && layout.showlegend !== false ? Math.ceil(names.length / columns) : 0;
    layout.width = width;
    layout.height = height;
    layout.paper_bgcolor = layout.plot_bgcolor = css("ground");
    layout.font = { family: "system-ui, sans-serif", size: small ? 11 : 13, color: css("ink") };
    layout.margin = { l: small ? 46 : 60, r: small ? 8 : 14, t: 22, b: 48 + 25 * legendRows };
    layout.showlegend = legendRows > 0;
    layout.legend = { orientation: "h", x: 0, xref: "container", y: 0, yref: "container", yanchor: "bottom",
      bgcolor: "rgba(0,0,0,0)", font: { size: small ? 11 : 13 }, itemwidth: 30, itemclick: "toggle" };
    layout.hoverlabel = { bgcolor: css("panel"), bordercolor: css("ink"), font: { color: css("ink"), size: 13 } };
    layout.hoversubplots = "axis";
    layout.dragmode = coarse ? false : "zoom";
    layout.modebar = { remove: [] };
    Object.keys(layout).forEach(function (key) {
      if (/^[xy]axis\d*$/.test(key)) {
        var axis = layout[key];
        axis.gridcolor = css("grid"); axis.linecolor = css("rule"); axis.zerolinecolor = css("rule");
        axis.automargin = false;
        if (axis.title) { axis.title.standoff = 6; axis.title.font = { size: small ? 11 : 13 }; }
        if (key[0] === "x" && axis.nticks === undefined) { axis.nticks = small ? 5 : 9; }
        if (small && key[0] === "x" && axis.domain && axis.title) { axis.title.text = axis.title.text.replace("after the command", ""); }
        if (key[0] === "y" && small && axis.nticks === undefined) { axis.nticks = 5; }
      }
    });
    return layout;
  }

  function draw(name) {
    var spec = specs[name], place = document.querySelector('[data-chart="' + name + '"]');
    if (!spec || !place || place.dataset.drawn) { return; }
    prepare(spec);
    place.dataset.drawn = "yes";
    var width = place.clientWidth || 320;
    Plotly.newPlot(place, resolved(spec.data, ""), themed(spec, width, spec.height),
      { displayModeBar: false, displaylogo: false, doubleClick: spec.timed ? false : "reset", responsive: false, showTips: false, scrollZoom: false });
    // A finger scrolls the page past a chart; a tap still shows values (as a click does), buttons zoom.
    place.addEventListener("touchstart", function (event) { event.stopPropagation(); }, { capture: true, passive: true });
    drawn += 1;
    root.dataset.drawn = String(drawn);
    if (spec.timed) {
      place.on("plotly_relayout", function (change) {
        var range = change["xaxis.range"] || (change["xaxis.range[0]"] !== undefined && [change["xaxis.range[0]"], change["xaxis.range[1]"]]);
        // The other charts answer each change with one of their own, later: what all show already is no change.
        if (range && !shown(range.map(toMilliseconds))) { showAll(range.map(toMilliseconds)); }
      });
      place.on("plotly_doubleclick", function () { showAll([MIDNIGHT, END]); });
    }
  }

  function toMilliseconds(value) {
    return typeof value === "number" ? value : Date.parse(String(value).replace(" ", "T") + (String(value).length > 10 ? "Z" : "T00:00Z"));
  }

  function shown(range) {
    return stretch !== null && Math.abs(range[0] - stretch[0]) < 1 && Math.abs(range[1] - stretch[1]) < 1;
  }

  /* One stretch of time in every chart over time. */
  function showAll(range) {
    var whole = Math.max(END - MIDNIGHT, 200), span = Math.min(Math.max(range[1] - range[0], 200), 1.1 * whole);
    var low = Math.min(Math.max(range[0], MIDNIGHT - 0.02 * whole), END - 0.5 * span);
    range = stretch = [low, low + span];
    root.dataset.from = String((range[0] - MIDNIGHT) / TIME_SCALE);
    root.dataset.to = String((range[1] - MIDNIGHT) / TIME_SCALE);
    Object.keys(specs).forEach(function (name) {
      var spec = specs[name];
      if (!spec.timed) { return; }
      prepare(spec);
      spec.layout.xaxis.range = range.slice();
      var place = document.querySelector('[data-chart="' + name + '"]');
      if (!place || !place.dataset.drawn) { return; }
      var now = place._fullLayout.xaxis.range.map(toMilliseconds);
      if (Math.abs(now[0] - range[0]) >= 1 || Math.abs(now[1] - range[1]) >= 1) { Plotly.relayout(place, { "xaxis.range": range.slice() }); }
    });
  }

  function step(name, what) {
    var range = specs[name].layout.xaxis.range, span = range[1] - range[0], middle = (range[0] + range[1]) / 2;
    if (what === "all") { return showAll([MIDNIGHT, END]); }
    if (what === "in") { return showAll([middle - span / 4, middle + span / 4]); }
    if (what === "out") { span = Math.min(2 * span, END - MIDNIGHT); middle -= span / 2; }
    else { middle = range[0] + (what === "back" ? -1 : 1) * span / 2; }
    var low = Math.min(Math.max(middle, MIDNIGHT), Math.max(END - span, MIDNIGHT));
    showAll([low, low + span]);
  }

  /* ---- saving ---- */
  function save(href, file) {
    var link = document.createElement("a");
    link.href = href; link.download = file;
    document.body.appendChild(link); link.click(); link.remove();
  }

  function picture(name, form) {
    var spec = specs[name], width = 1000;
    prepare(spec);
    var layout = themed(spec, width, spec.height + 60);
    layout.title = { text: marked(spec.title), x: 0.01, xanchor: "left", font: { size: 17 } };
    layout.margin.t = 60;
    Plotly.toImage({ data: resolved(spec.data, ""), layout: layout }, { format: form, width: width, height: spec.height + 60, scale: form === "png" ? 2 : 1 })
      .then(function (url) { save(url, spec.file + "." + form); });
  }

  /* Text for a Plotly label: its few tags are not wanted. */
  function marked(text) { return text.replace(/&/g, "&amp;").replace(/</g, "&lt;").replace(/>/g, "&gt;"); }
  function bare(text) { return String(text).replace(/<br>/g, " ").replace(/&lt;/g, "<").replace(/&gt;/g, ">").replace(/&amp;/g, "&"); }

  /* A cell: text that a spreadsheet would take for a formula gets an apostrophe; numbers stay numbers. */
  function cell(value) {
    if (value === null || value === undefined) { return ""; }
    if (typeof value === "number") { return String(value); }
    var text = bare(value);
    if (/^[\s\u0000-\u001f]*[=+\-@]/.test(text) || /^[\t\r\n]/.test(text)) { text = "'" + text; }
    return /[",\r\n]/.test(text) ? '"' + text.replace(/"/g, '""') + '"' : text;
  }

  function table(name) {
    var spec = specs[name];
    prepare(spec);
    var clock = spec.clock, title = clock ? "time [s]" : ((spec.layout.xaxis || {}).title || {}).text || "group";
    var rows = [["series", title, "value", "unit", "note"]];
    spec.data.forEach(function (trace) {
      for (var i = 0; i < trace.x.length; i++) {
        var x = trace.x[i], y = trace.y[i];
        if (y === null || y === undefined || x === null) { continue; }
        if (clock) { x = Number(((x - MIDNIGHT) / TIME_SCALE).toFixed(4)); }
        rows.push([trace.name || "", x, y, (trace.meta || {}).unit || "", Array.isArray(trace.text) ? trace.text[i] : ""]);
      }
    });
    return rows.map(function (row) { return row.map(cell).join(","); }).join("\r\n") + "\r\n";
  }
  window.camlogTable = table;

  document.addEventListener("click", function (event) {
    var strip = event.target.closest ? event.target.closest(".strips .strip, .strips .lane") : null;
    if (strip) {
      var box = strip.getBoundingClientRect(), at = MIDNIGHT + (event.clientX - box.left) / box.width * (END - MIDNIGHT);
      showAll([at - AROUND, at + AROUND]);
      return;
    }
    var button = event.target.closest ? event.target.closest("[data-do]") : null;
    if (!button) { return; }
    var figure = button.closest("figure"), name = figure ? figure.id : "", what = button.dataset.do;
    if (what === "png" || what === "svg") { picture(name, what); }
    else if (what === "everything") { root.classList.add("everything"); window.print(); }
    else if (what === "csv") {
      var url = URL.createObjectURL(new Blob(["\ufeff" + table(name)], { type: "text/csv" }));
      save(url, specs[name].file + ".csv");
      setTimeout(function () { URL.revokeObjectURL(url); }, 10000);
    } else { step(name, what); }
  });

  /* ---- size, theme, paper ---- */
  function eachDrawn(act) {
    Object.keys(specs).forEach(function (name) {
      var place = document.querySelector('[data-chart="' + name + '"]');
      if (place && place.dataset.drawn) { act(specs[name], place); }
    });
  }
  function resize(spec, place, width, height) {
    place.style.height = height + "px";
    Plotly.react(place, resolved(spec.data, ""), themed(spec, width, height));
  }
  function redraw() {
    eachDrawn(function (spec, place) { resize(spec, place, place.clientWidth || 320, spec.height); });
  }
  // A chart that was drawn while it was folded away gets its width when it is opened.
  document.addEventListener("toggle", function (event) {
    if (!event.target.open || root.classList.contains("paper")) { return; }
    eachDrawn(function (spec, place) { if (event.target.contains(place)) { resize(spec, place, place.clientWidth || 320, spec.height); } });
  }, true);
  var waiting = 0, lastWidth = root.clientWidth;
  window.addEventListener("resize", function () {
    if (root.clientWidth === lastWidth) { return; }
    lastWidth = root.clientWidth;
    clearTimeout(waiting);
    waiting = setTimeout(redraw, 150);
  });
  if (window.matchMedia) {
    var scheme = matchMedia("(prefers-color-scheme: dark)");
    if (scheme.addEventListener) { scheme.addEventListener("change", function () { redraw(); }); }
  }
  window.addEventListener("beforeprint", function () {
    Object.keys(specs).forEach(draw);
    root.classList.add("paper");
    var every = root.classList.contains("everything") || !document.querySelector(".rest");
    document.querySelectorAll("details").forEach(function (d) { if (!d.open && (every || d.dataset.paper)) { d.dataset.shut = "yes"; d.open = true; } });
    eachDrawn(function (spec, place) {
      var half = place.closest(".moments, .pair, .charts figure:not(.wide)");
      resize(spec, place, place.closest(".moments.n3") ? PAPER_THIRD_PX : half ? PAPER_HALF_PX : PAPER_PX, Math.round((place.closest(".moments") ? PAPER_MOMENT : spec.first ? 1 : PAPER_HEIGHT) * spec.height));
    });
  });
  window.addEventListener("afterprint", function () {
    root.classList.remove("paper", "everything");
    document.querySelectorAll("details[data-shut]").forEach(function (d) { d.open = false; delete d.dataset.shut; });
    redraw();
  });

  if (narrow()) { document.querySelectorAll("details[data-desk]").forEach(function (d) { d.open = false; }); }
  /* First the charts of the first screen, then one after the other while the page stays quick. */
  var order = Object.keys(specs).sort(function (a, b) { return (specs[b].first ? 1 : 0) - (specs[a].first ? 1 : 0); });
  function next() {
    var name = order.shift();
    if (name === undefined) { root.dataset.done = "yes"; return; }
    draw(name);
    if (!root.dataset.first) { root.dataset.first = String(performance.now()); }
    setTimeout(next, 0);
  }
  next();
})();
