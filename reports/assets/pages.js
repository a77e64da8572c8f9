"use strict";
// Draws charts, and lets tables be sorted, filtered, paged and saved. Without it every page still reads whole.

const CHART = {
  actions: false,
  renderer: "svg",
  ast: true, // expressions are interpreted, never compiled: the page's policy forbids making code from text
  defaultStyle: false,
  tooltip: { theme: "custom", disableDefaultStyle: true },
};

const NARROW_PX = 600;
const FEW_ROWS = 8; // that many are seen at once: there is nothing to find or page through

function fitted(spec, width) {
  if (spec.concat) spec.columns = width < NARROW_PX ? 1 : spec.columns;
  const columns = spec.concat ? spec.columns : 1;
  const gaps = (columns - 1) * (spec.spacing || 0);
  const plot = Math.max(160, Math.floor((width - gaps) / columns) - spec.usermeta.gutter_px);
  for (const view of spec.vconcat || spec.concat || [spec]) view.width = plot;
  return spec;
}

// Columns that a page carries in short: see `packing.packed`.
function column(packed) {
  const MINUTE_MS = 60000;
  if (Array.isArray(packed)) return packed;
  if (packed.runs) return packed.runs.flatMap((value, at) => Array(packed.lengths[at]).fill(value));
  if (packed.kinds) return packed.of.map((at) => packed.kinds[at]);
  if (packed.minutes) return packed.minutes.map((minute) => (minute === null ? null : minute * MINUTE_MS));
  let minute = 0;
  return packed.steps.map((step) => (minute += step) * MINUTE_MS);
}

function unpacked(spec) {
  const datasets = Object.entries(spec.usermeta.columns || {}).map(([name, columns]) => {
    const read = Object.entries(columns).map(([field, packed]) => [field, column(packed)]);
    const count = read.length ? read[0][1].length : 0;
    const rows = Array.from({ length: count }, (_, at) => Object.fromEntries(read.map(([field, values]) => [field, values[at]])));
    return [name, rows];
  });
  if (datasets.length) spec.datasets = { ...spec.datasets, ...Object.fromEntries(datasets) };
  return spec;
}

async function draw(place) {
  const spec = unpacked(JSON.parse(document.getElementById(place.dataset.spec).textContent));
  if (window.outlines && place.dataset.spec === "map-spec") {
    spec.datasets = { ...spec.datasets, ...window.outlines };
  }
  const width = Math.floor(place.clientWidth);
  place.dataset.width = width;
  spec.description = place.dataset.alternative;
  place.dataset.drawn = "false";
  const drawn = await window.vegaEmbed(place, fitted(spec, width), CHART);
  nameSwitches(place);
  const switches = place.querySelector(".vega-bindings");
  if (switches && "switchesFirst" in place.dataset) place.prepend(switches);
  place.dataset.drawn = "true";
  return drawn.view;
}

function nameSwitches(place) {
  for (const group of place.querySelectorAll(".vega-bind-radio")) {
    group.setAttribute("role", "radiogroup");
    group.setAttribute("aria-label", group.parentElement.querySelector(".vega-bind-name").textContent.trim());
  }
}

function drawAll() {
  for (const place of document.querySelectorAll(".plot")) {
    if (Number(place.dataset.width) !== Math.floor(place.clientWidth)) draw(place);
  }
}

function element(name, properties, ...children) {
  const made = Object.assign(document.createElement(name), properties);
  made.append(...children);
  return made;
}

function control(label, field) {
  return element("label", {}, label, field);
}

function columnFilter(table, column) {
  const values = [...new Set(column.nodes().toArray().map((cell) => (cell.dataset.search ?? cell.textContent).trim()))].sort();
  const choice = element("select", {}, element("option", { value: "", textContent: "any" }));
  for (const value of values) choice.append(element("option", { value, textContent: value }));
  choice.addEventListener("change", () => {
    const exact = choice.value;
    column.search(exact ? (text) => text.trim() === exact : "").draw();
  });
  return control(column.header().textContent.trim(), choice);
}

// On a phone rows become cards without a head to sort by: this list stands in for it there.
function sorter(table, head) {
  const choice = element("select", {}, element("option", { value: "", textContent: "as listed" }));
  head.forEach((cell, at) => {
    if ("unsorted" in cell.dataset) return;
    const ways = cell.classList.contains("num") ? ["lowest first", "highest first"] : ["A to Z", "Z to A"];
    ["asc", "desc"].forEach((way, which) => {
      choice.append(element("option", { value: `${at} ${way}`, textContent: `${cell.textContent.trim()}, ${ways[which]}` }));
    });
  });
  choice.addEventListener("change", () => {
    const [at, way] = choice.value.split(" ");
    table.order(choice.value ? [[Number(at), way]] : []).draw();
  });
  return element("label", { className: "sorter" }, "Sort by", choice);
}

// Cells name themselves, so that a table too wide for the screen can turn into cards.
function nameCells(table) {
  const names = [...table.tHead.rows[0].cells].map((cell) => cell.textContent.trim());
  for (const row of table.tBodies[0].rows) {
    [...row.cells].forEach((cell, at) => {
      if (cell.tagName === "TD" && !("label" in cell.dataset)) cell.dataset.label = names[at] || "";
    });
  }
}

// Too wide for a phone: first set smaller, and if that does not do, as cards.
function fold(frame) {
  const table = frame.querySelector("table");
  const width = frame.clientWidth;
  if (!table || !table.tHead || !width || table.dataset.fitted === String(width)) return;
  table.dataset.fitted = width;
  const always = table.dataset.cards === "always";
  table.classList.toggle("stacked", always);
  table.classList.remove("tight");
  if (always || width >= NARROW_PX) return;
  for (const way of ["tight", "stacked"]) {
    if (table.scrollWidth <= width) return;
    table.classList.remove("tight");
    table.classList.add(way);
  }
}

function foldAll() {
  document.querySelectorAll(".scroll").forEach(fold);
}

function csvCell(cell) {
  const copy = cell.cloneNode(true);
  for (const drawing of copy.querySelectorAll("svg")) drawing.remove();
  for (const below of copy.querySelectorAll(".under")) below.prepend(" ");
  const text = copy.textContent.replace(/\s+/g, " ").trim();
  // Made for spreadsheets: a leading apostrophe keeps text from being run as a formula.
  const safe = /^[=+\-@\t\r]/.test(text) ? "'" + text : text;
  return '"' + safe.replaceAll('"', '""') + '"';
}

function saveShown(table, file) {
  const lines = [table.columns().header().toArray(), ...table.rows({ search: "applied" }).nodes().toArray().map((row) => [...row.cells])];
  const text = "\ufeff" + lines.map((cells) => cells.map(csvCell).join(",")).join("\r\n") + "\r\n";
  const link = element("a", { href: URL.createObjectURL(new Blob([text], { type: "text/csv" })), download: file });
  link.click();
  setTimeout(() => URL.revokeObjectURL(link.href), 1000);
}

function pager(table) {
  const status = element("span", {});
  status.setAttribute("role", "status");
  const move = (label, page) => {
    const button = element("button", { type: "button", textContent: label });
    button.addEventListener("click", () => table.page(page).draw("page"));
    return button;
  };
  const [back, on] = [move("Earlier rows", "previous"), move("Later rows", "next")];
  const tell = () => {
    const at = table.page.info();
    back.hidden = on.hidden = at.recordsTotal <= at.length && at.length > 0;
    status.textContent = at.recordsDisplay
      ? `Rows ${at.start + 1} to ${at.end} of ${at.recordsDisplay}` + (at.recordsDisplay < at.recordsTotal ? ` that match, ${at.recordsTotal} in all` : "")
      : "No row matches";
    back.disabled = at.page === 0;
    on.disabled = at.page >= at.pages - 1;
  };
  table.on("draw", tell);
  tell();
  return element("div", { className: "pager" }, back, on, status);
}

function dress(node) {
  nameCells(node);
  const head = [...node.tHead.rows[0].cells];
  const table = new window.DataTable(node, {
    layout: { topStart: null, topEnd: null, bottomStart: null, bottomEnd: null },
    pageLength: Math.min(Number(node.dataset.rows || 20), window.innerWidth < NARROW_PX ? 10 : Infinity),
    order: [],
    autoWidth: false,
    columnDefs: head.map((cell, at) => ({ targets: at, orderable: !("unsorted" in cell.dataset) })),
  });
  const search = element("input", { type: "search" });
  search.addEventListener("input", () => table.search(search.value).draw());
  const save = element("button", { type: "button", textContent: "Save matching rows (CSV)" });
  save.addEventListener("click", () => saveShown(table, node.dataset.file));
  const filters = head.flatMap((cell, at) => ("filter" in cell.dataset ? [columnFilter(table, table.column(at))] : []));
  const frame = node.closest(".scroll");
  const few = table.rows().count() <= FEW_ROWS;
  const controls = few ? [sorter(table, head)] : [control("Find", search), ...filters, sorter(table, head), save];
  frame.before(element("div", { className: few ? "controls few" : "controls" }, ...controls));
  if (!few) frame.after(pager(table));
  return table;
}

// On paper: every row that matches, and every drawer open.
function readyForPaper(tables) {
  let before = null;
  window.addEventListener("beforeprint", () => {
    if (before) return;
    before = { lengths: tables.map((table) => table.page.len()), shut: [...document.querySelectorAll("details:not([open])")] };
    for (const table of tables) table.page.len(-1).draw();
    for (const drawer of before.shut) drawer.open = true;
  });
  window.addEventListener("afterprint", () => {
    if (!before) return;
    tables.forEach((table, at) => table.page.len(before.lengths[at]).draw());
    for (const drawer of before.shut) drawer.open = false;
    before = null;
  });
}

drawAll();
let waiting;
window.addEventListener("resize", () => {
  clearTimeout(waiting);
  waiting = setTimeout(() => {
    drawAll();
    foldAll();
  }, 150);
});
for (const table of document.querySelectorAll(".scroll table:not(.sortable)")) if (table.tHead) nameCells(table);
readyForPaper([...document.querySelectorAll("table.sortable")].map(dress));
foldAll();
document.addEventListener("toggle", foldAll, true); // a table in a shut drawer has no width yet
document.documentElement.dataset.ready = "true";
