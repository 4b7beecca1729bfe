/* What a grid is on paper and in a file. On paper it is a plain table, for it draws only the rows in view; a CSV file holds every
   row that its filters leave. A button names its grid in data-csv-of, and the columns of the file in data-csv-fields as
   "name=field name=field". */
import { CELLS } from "./grids.mjs";
import { grid } from "./page.mjs";

/** @type {(api: GridApi) => GridRow[]} */
function rowsOf(api) {
  /** @type {GridRow[]} */
  const rows = [];
  api.forEachNodeAfterFilterAndSort(({ data }) => rows.push(data));
  return rows;
}

/** The texts of a grid on paper, its heads first. Columns that only help to search have no name; those that leave a narrow screen
 * belong on paper.
 * @type {(api: GridApi) => string[][]} */
export function tableOf(api) {
  const columns = api.getColumns().map((column) => column.getColDef()).filter(({ headerName }) => headerName);
  /** @type {(data: GridRow, column: Column) => unknown} */
  const text = (data, column) => (column.cellRenderer ? CELLS[column.cellRenderer].text(data, column) : data[column.field]) ?? "–";
  return [columns.map(({ headerName }) => String(headerName)), ...rowsOf(api).map((data) => columns.map((column) => String(text(data, column))))];
}

/** Text that a spreadsheet would run as a formula gets a leading apostrophe.
 * @type {(value: unknown) => string} */
export function csvCell(value) {
  if (value === null || value === undefined) return "";
  if (typeof value !== "string") return String(value);
  const guarded = /^[=+\-@\t]/.test(value) ? "'" + value : value;
  return /[",\r\n]/.test(guarded) ? '"' + guarded.replace(/"/g, '""') + '"' : guarded;
}

/** @type {(api: GridApi, fields: string) => string} */
export function csvOf(api, fields) {
  const columns = fields.split(" ").map((one) => one.split("="));
  const lines = [columns.map(([name]) => name), ...rowsOf(api).map((data) => columns.map(([, field]) => csvCell(data[field])))];
  return lines.map((line) => line.join(",") + "\r\n").join("");
}

document.addEventListener("click", ({ target }) => {
  const button = /** @type {HTMLElement | null} */ (/** @type {Element} */ (target).closest("[data-csv-of]"));
  const { csvOf: name = "", csvFields = "" } = button?.dataset || {};
  const api = button && grid(name);
  if (!api) return;
  const link = document.createElement("a");
  link.href = URL.createObjectURL(new Blob([csvOf(api, csvFields)], { type: "text/csv;charset=utf-8" }));
  link.download = name.replace(/-grid$/, "") + "s.csv";
  link.click();
  setTimeout(() => URL.revokeObjectURL(link.href), 60000);
});

const clear = () => document.querySelectorAll(".bl-paper").forEach((table) => table.remove());
window.addEventListener("beforeprint", () => {
  clear();
  document.querySelectorAll("[data-grid]").forEach((box) => {
    const api = grid(/** @type {HTMLElement} */ (box).dataset.grid || "");
    if (!api) return;
    const table = document.createElement("table");
    table.className = "bl-paper";
    const [heads, ...rows] = tableOf(api);
    const head = table.createTHead().insertRow();
    for (const text of heads) head.appendChild(document.createElement("th")).textContent = text;
    const body = table.createTBody();
    for (const texts of rows) {
      const row = body.insertRow();
      for (const text of texts) row.insertCell().textContent = text;
    }
    box.append(table);
  });
});
window.addEventListener("afterprint", clear);
