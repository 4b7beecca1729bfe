/* What a page is on paper and in a file. On paper a grid is a plain table, for it draws only the rows in view; a CSV file holds
   every row that its filters leave. A button names its grid in data-csv-of, and the columns of the file in data-csv-fields as
   "name=field name=field". */
const texts = {
  CraneCell: (data) => [data.crane, data.title].filter(Boolean).join(", "),
  MarkCell: (data) => data.word,
  BarCell: (data, definition) => {
    const kind = definition.cellRendererParams.kind;
    return [data[kind + "_text"], data[kind + "_note"]].filter(Boolean).join(" ");
  },
  DueCell: (data, definition) => data[definition.field + "_text"],
  DayCell: (data, definition) => data[definition.field + "_text"],
  AgeCell: (data) => (data.at ? data.at.slice(0, 16).replace("T", " ") + " UTC" : "–"),
  NowCell: (data) => (data.now === null || data.now === undefined ? "–" : Math.round(data.now) + "\u00a0%"),
};

function cell(tag, text, row) {
  const made = row.appendChild(document.createElement(tag));
  made.textContent = text === null || text === undefined ? "–" : text;
}

function write(box) {
  const api = window.dash_ag_grid && window.dash_ag_grid.getApi(box.dataset.grid);
  if (!api) return;
  // Those that only help to search have no name; those that leave a narrow screen belong on paper.
  const columns = api.getColumns().map((column) => column.getColDef()).filter((definition) => definition.headerName);
  const table = document.createElement("table");
  table.className = "bl-paper";
  const head = table.createTHead().insertRow();
  columns.forEach((definition) => cell("th", definition.headerName, head));
  const body = table.createTBody();
  api.forEachNodeAfterFilterAndSort((node) => {
    const row = body.insertRow();
    columns.forEach((definition) => {
      const text = texts[definition.cellRenderer];
      cell("td", text ? text(node.data, definition) : node.data[definition.field], row);
    });
  });
  box.append(table);
}

/* Text that a spreadsheet would run as a formula gets a leading apostrophe. */
function csvCell(value) {
  if (value === null || value === undefined) return "";
  if (typeof value !== "string") return String(value);
  const guarded = /^[=+\-@\t]/.test(value) ? "'" + value : value;
  return /[",\r\n]/.test(guarded) ? '"' + guarded.replace(/"/g, '""') + '"' : guarded;
}

function csvOf(api, fields) {
  const columns = fields.split(" ").map((one) => one.split("="));
  const lines = [columns.map(([name]) => name)];
  api.forEachNodeAfterFilterAndSort((node) => lines.push(columns.map(([, field]) => csvCell(node.data[field]))));
  return lines.map((line) => line.join(",") + "\r\n").join("");
}

document.addEventListener("click", (event) => {
  const button = event.target.closest && event.target.closest("[data-csv-of]");
  const api = button && window.dash_ag_grid && window.dash_ag_grid.getApi(button.dataset.csvOf);
  if (!api) return;
  const link = document.createElement("a");
  link.href = URL.createObjectURL(new Blob([csvOf(api, button.dataset.csvFields)], { type: "text/csv;charset=utf-8" }));
  link.download = button.dataset.csvOf.replace(/-grid$/, "") + "s.csv";
  link.click();
  setTimeout(() => URL.revokeObjectURL(link.href), 60000);
});

/* Paper is light: colours of the dark theme stand for those of the light one while a page is printed, in charts too. */
const ROOT = document.documentElement;
const SCHEME = "data-mantine-color-scheme";
let darkened = false;

function exchanged(value, colours) {
  if (typeof value === "string") return colours[value] || value;
  if (Array.isArray(value)) return value.length && typeof value[0] === "number" ? value : value.map((one) => exchanged(one, colours));
  if (!value || Object.getPrototypeOf(value) !== Object.prototype) return value;
  return Object.fromEntries(Object.entries(value).map(([name, one]) => [name, exchanged(one, colours)]));
}

function paint(from, to) {
  const palette = window.boomledger_palette;
  if (!palette || !window.Plotly) return;
  const colours = Object.fromEntries(Object.keys(palette[from]).map((role) => [palette[from][role], palette[to][role]]));
  document.querySelectorAll(".js-plotly-plot").forEach((graph) => {
    if (graph.data) window.Plotly.react(graph, exchanged(graph.data, colours), exchanged(graph.layout, colours));
  });
}

window.addEventListener("beforeprint", () => {
  darkened = ROOT.getAttribute(SCHEME) === "dark";
  if (!darkened) return;
  ROOT.setAttribute(SCHEME, "light");
  paint("dark", "light");
});
window.addEventListener("afterprint", () => {
  if (!darkened) return;
  darkened = false;
  ROOT.setAttribute(SCHEME, "dark");
  paint("light", "dark");
});

const clear = () => document.querySelectorAll(".bl-paper").forEach((table) => table.remove());
window.addEventListener("beforeprint", () => {
  clear();
  document.querySelectorAll("[data-grid]").forEach(write);
});
window.addEventListener("afterprint", clear);
