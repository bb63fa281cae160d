"use strict";
(() => {
  const $ = (id) => document.getElementById(id);
  const SVG = "http://www.w3.org/2000/svg";

  // Colours: as the system says, or as chosen. A browser may keep nothing for files: then the choice holds for now.
  const theme = $("theme");
  const modes = ["", "light", "dark"];
  const told = { "": "Colours: as the system", light: "Colours: light", dark: "Colours: dark" };
  const apply = (mode) => {
    if (mode) document.documentElement.dataset.theme = mode; else delete document.documentElement.dataset.theme;
    theme.textContent = told[mode];
  };
  let mode = "";
  try { mode = localStorage.getItem("cornerrun-theme") || ""; } catch { /* not kept */ }
  if (!modes.includes(mode)) mode = "";
  apply(mode);
  theme.addEventListener("click", () => {
    mode = modes[(modes.indexOf(mode) + 1) % modes.length];
    apply(mode);
    try { localStorage.setItem("cornerrun-theme", mode); } catch { /* not kept */ }
  });

  const table = $("corners");
  if (!table) return;

  // Filter.
  const rows = [...table.tBodies[0].rows];
  const corners = rows.filter((row) => !("block" in row.dataset));
  const find = $("map-find"), rail = $("map-rail"), count = $("map-count"), none = $("map-none");
  const boxes = [...document.querySelectorAll(".map-outcome")];
  const filter = () => {
    const wanted = new Set(boxes.filter((box) => box.checked).map((box) => box.value));
    const text = find.value.trim().toLowerCase();
    let shown = 0, block = null;
    for (const row of rows) {
      if ("block" in row.dataset) { block = row; block.hidden = true; continue; }
      const is = wanted.has(row.dataset.outcome) && (!text || row.dataset.text.includes(text))
        && (!rail.value || ` ${row.dataset.off} `.includes(` ${rail.value} `));
      row.hidden = !is;
      if (is) { shown += 1; if (block) block.hidden = false; }
    }
    count.textContent = `${shown} of ${corners.length} corners`;
    none.hidden = shown > 0;
    rove(null);
  };
  const buttons = [...table.querySelectorAll("button.v")];
  // One stop of the Tab key for the whole map; arrows go on from there.
  const rove = (target) => {
    const open = buttons.filter((button) => !button.closest("tr").hidden && !button.closest("details:not([open])"));
    const one = target && open.includes(target) ? target : open.find((button) => button.tabIndex === 0) || open[0];
    for (const button of buttons) button.tabIndex = button === one ? 0 : -1;
    return open;
  };
  find.addEventListener("input", filter);
  rail.addEventListener("change", filter);
  for (const box of boxes) box.addEventListener("change", filter);
  $("map-reset").addEventListener("click", () => {
    find.value = ""; rail.value = "";
    for (const box of boxes) box.checked = true;
    filter();
  });
  table.addEventListener("keydown", (event) => {
    const here = event.target.closest("button.v");
    if (!here) return;
    const open = rove(here), at = open.indexOf(here), row = here.closest("tr");
    const firsts = open.filter((button, index) => index === 0 || button.closest("tr") !== open[index - 1].closest("tr"));
    const line = firsts.findIndex((button) => button.closest("tr") === row);
    const to = { ArrowRight: open[at + 1], ArrowLeft: open[at - 1], ArrowDown: firsts[line + 1], ArrowUp: firsts[line - 1],
      Home: open[0], End: open[open.length - 1] }[event.key];
    if (!to) return;
    event.preventDefault();
    rove(to);
    to.focus();
  });

  // A visit. Every text goes in as text: nothing that a board or a check said is ever read as markup.
  const panel = $("visit");
  let data = null, opener = null;
  const el = (name, text, cls) => {
    const made = document.createElement(name);
    if (text !== undefined && text !== null) made.textContent = text;
    if (cls) made.className = cls;
    return made;
  };
  const svg = (name, attributes) => {
    const made = document.createElementNS(SVG, name);
    for (const [key, value] of Object.entries(attributes)) made.setAttribute(key, value);
    return made;
  };
  const plain = (value) => value === null ? "" : value.toFixed(5);
  const volts = (value) => value === null ? "" : `${value.toFixed(5)} V`;
  const seconds = (value) => value === null ? "" : value < 0.9995 ? `${(value * 1e3).toPrecision(4)} ms` : `${value.toPrecision(5)} s`;
  const inks = { "●": "i-pass", "■": "i-failed", "▲": "i-trouble", "○": "i-notrun" };
  const name = (index) => typeof index === "number" ? data.rails[index] : index;
  const grid = (heads, lines, numeric) => {
    const made = el("table"), head = made.createTHead().insertRow(), body = made.createTBody();
    heads.forEach((text, index) => { const cell = el("th", text, numeric.includes(index) ? "n" : ""); cell.scope = "col"; head.append(cell); });
    for (const line of lines) {
      const row = body.insertRow();
      line.forEach((value, index) => {
        const cell = row.insertCell();
        if (Array.isArray(value)) { cell.textContent = `${value[0]} ${value[1]}`; cell.className = `word ${inks[value[0]] || ""}`; }
        else { cell.textContent = value; cell.className = numeric.includes(index) ? "n" : String(value).length < 22 ? "short" : ""; }
      });
    }
    const scroll = el("div", null, "scroll");
    scroll.append(made);
    return scroll;
  };
  const section = (title, ...parts) => { panel.append(el("h3", title), ...parts); };

  const trace = ([index, target, points]) => {
    const figure = el("figure"), width = 200, height = 74, left = 4, right = 196, top = 6, bottom = 58;
    const last = Math.max(...points.map((p) => p[0]), 1e-6);
    const levels = points.map((p) => p[1]).concat(target);
    let low = Math.min(...levels), high = Math.max(...levels);
    const room = Math.max((high - low) * 0.12, Math.abs(target) * 1e-4); low -= room; high += room;
    const x = (t) => left + (t / last) * (right - left), y = (v) => bottom - ((v - low) / (high - low)) * (bottom - top);
    const label = `${name(index)}: ${points.length} readings until ${seconds(last)}, target ${volts(target)}`;
    const drawn = svg("svg", { viewBox: `0 0 ${width} ${height}`, class: "fig", role: "img", "aria-label": label });
    drawn.append(svg("line", { x1: left, x2: right, y1: y(target), y2: y(target), class: "s-soft", "stroke-dasharray": "4 3" }));
    drawn.append(svg("polyline", { points: points.map((p) => `${x(p[0]).toFixed(1)},${y(p[1]).toFixed(1)}`).join(" "), class: "s-high", fill: "none", "stroke-width": 1.5 }));
    for (const p of points) drawn.append(svg("circle", { cx: x(p[0]).toFixed(1), cy: y(p[1]).toFixed(1), r: 2, class: "f-ink" }));
    const axis = svg("text", { x: right, y: height - 3, "font-size": 10, "text-anchor": "end", class: "f-soft" });
    axis.textContent = seconds(last);
    drawn.append(axis);
    figure.append(drawn, el("figcaption", `${name(index)} to ${volts(target)}`));
    return figure;
  };

  const show = (index) => {
    if (data === null) data = JSON.parse($("visits").textContent);
    const visit = data.visits[index];
    panel.replaceChildren();
    const head = el("header"), title = el("h2", `${visit.c}`), close = el("button", "Close");
    title.id = "visit-title"; close.type = "button"; close.id = "visit-close";
    close.addEventListener("click", hide);
    head.append(title, close);
    const facts = el("dl");
    const fact = (term, text, cls) => { if (text) facts.append(el("dt", term), el("dd", text, cls)); };
    fact("Outcome", `${visit.s} ${visit.o}`, inks[visit.s]);
    fact("Why", visit.r);
    fact("Visit", `${visit.n}, ${visit.k}${visit.rep ? `, repeat ${visit.rep}` : ""}${visit.void ? ", VOID: its control point was out" : ""}${visit.seam ? ", first after a resume" : ""}`);
    fact("Started", `${visit.t}, ${seconds(visit.at)} into the run, took ${seconds(visit.d)}`);
    fact("Time by phase", Object.entries(visit.ph).map(([phase, s]) => `${phase} ${seconds(s)}`).join(", "));
    fact("Conditions", Object.entries(visit.cond).map(([key, value]) => `${key} ${value}`).join("; "));
    panel.append(head, facts);
    if (visit.cut) panel.append(el("p", "This run is too large for a page: readings and traces of visits that passed stand in the workbook and in the store.", "fine"));
    if (visit.f.length) section("Faults", grid(["At", "Kind", "Began with", "Followed by", "Why"],
      visit.f.map((f) => [seconds(f[1]), f[0], f[2], f[3].join(", "), f[4]]), [0]));
    if (visit.ck.length) {
      const parts = [grid(["Check", "Outcome", "Trials", "Failed", "Why"], visit.ck.map((c) => [c[0], [c[1], c[2]], c[4], c[5], c[3]]), [2, 3])];
      const told = (visit.tl || []).filter((t) => t[2] !== true || t[6] || Object.keys(t[5]).length);
      if (told.length) {
        parts.push(el("p", "Trials that did not pass come first, at most twelve of a check; of the others, one is shown.", "fine"));
        parts.push(grid(["Check", "Trial", "Outcome", "Took", "Numbers", "Why"], told.map((t) => [t[0], t[1],
          t[2] === true ? ["●", "passed"] : t[2] === false ? ["■", "failed"] : ["▲", "no verdict"], seconds(t[3]),
          Object.entries(t[5]).map(([key, value]) => `${key} = ${value}`).join(", "), t[4]]), [1, 3]));
      }
      for (const t of told) if (t[6]) parts.push(el("p", `What ${t[0]} printed in trial ${t[1]}`, "fine"), el("pre", t[6]));
      section("Checks", ...parts);
    }
    if (visit.te && visit.te.length) section("Tests of the suite", grid(["Test", "Trial", "Outcome", "Took", "Why"],
      visit.te.map((t) => [t[2], t[1], t[3] === true ? ["●", "passed"] : t[3] === false ? ["■", "failed"] : ["▲", "no verdict"], seconds(t[4]), t[5]]), [1, 3]));
    if (visit.rd && visit.rd.length) section("Readings", grid(["Rail", "Level", "Target, V", "Set-point, V", "Telemetry, V", "Meter, V", "Off target", "Settled", "Status word", "Outcome"],
      visit.rd.map((r) => {
        const best = r[6] !== null ? r[6] : r[4];
        const off = best === null || r[2] === null ? "" : `${((best - r[2]) * 1e3).toFixed(2).replace("-0.00", "0.00")} mV`;
        return [name(r[0]), r[1], plain(r[2]), plain(r[3]), plain(r[4]), plain(r[6]), off, seconds(r[7]), r[8] === null ? "" : `0x${r[8].toString(16).toUpperCase().padStart(4, "0")}`, [r[9], r[11] ? `${r[10]}: ${r[11]}` : r[10]]];
      }), [2, 3, 4, 5, 6, 7]));
    if (visit.tr && visit.tr.length) {
      const all = el("div", null, "traces");
      for (const item of visit.tr) if (item[2].length) all.append(trace(item));
      section("How rails came to rest", el("p", "Fresh readings of each rail from command to rest; dashed: the target.", "fine"), all);
    }
    if (visit.w && visit.w.length) {
      const more = el("details");
      more.append(el("summary", "Least and greatest voltage that the watch saw"), grid(["Rail", "During", "Least", "Greatest", "Samples"],
        visit.w.map((w) => [name(w[0]), w[1], volts(w[2]), volts(w[3]), w[4]]), [2, 3, 4]));
      panel.append(more);
    }
    panel.hidden = false;
    panel.scrollTop = 0;
    close.focus();
  };
  const hide = () => {
    panel.hidden = true;
    if (opener) { opener.setAttribute("aria-expanded", "false"); opener.focus(); opener = null; }
  };
  table.addEventListener("click", (event) => {
    if (event.target.closest("summary")) return;
    const button = event.target.closest("button.v")
      || (event.target.closest("tbody tr:not(.block)") || { querySelector: () => null }).querySelector("button.v");
    if (!button) return;
    if (opener) opener.setAttribute("aria-expanded", "false");
    opener = button;
    rove(button);
    button.setAttribute("aria-expanded", "true");
    show(Number(button.dataset.visit));
  });
  document.addEventListener("keydown", (event) => { if (event.key === "Escape" && !panel.hidden) hide(); });
})();

// On paper nobody can open what is folded: short tables print open, long ones as their heading.
(() => {
  const mostRows = 200;
  let opened = [];
  window.addEventListener("beforeprint", () => {
    opened = [...document.querySelectorAll("main details:not(.more-visits, [open])")].filter((one) => one.querySelectorAll("tr").length <= mostRows);
    for (const one of opened) one.open = true;
  });
  window.addEventListener("afterprint", () => {
    for (const one of opened) one.open = false;
    opened = [];
  });
})();
