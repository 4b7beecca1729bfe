import "./setup.mjs";
import assert from "node:assert/strict";
import { test } from "node:test";
import { renderToStaticMarkup } from "react-dom/server";
import { CELLS, filtersOf, orderOf, restore } from "../../dashboard/assets/grids.mjs";
import { csvCell, csvOf, tableOf } from "../../dashboard/assets/paper.mjs";

const ROWS = [
  { crane: "yard-01", title: "north", life: 0.25, life_text: "25 %", life_note: "assumed", life_state: "watch", now: 80.6, at: "2026-11-30T10:05:06Z", hours: 0 },
  { crane: "yard-02", title: "", life: null, life_text: "no class", life_state: "stale", now: null, at: null, hours: null },
];
const COLUMNS = [
  { field: "crane", headerName: "Crane", cellRenderer: "CraneCell" },
  { field: "search" },
  { field: "life", headerName: "Life", cellRenderer: "BarCell", cellRendererParams: { kind: "life", full: 1 } },
  { field: "now", headerName: "Now", cellRenderer: "NowCell" },
  { field: "at", headerName: "Last", cellRenderer: "AgeCell" },
  { field: "hours", headerName: "Hours" },
];
const api = {
  getColumns: () => COLUMNS.map((column) => ({ getColDef: () => column })),
  forEachNodeAfterFilterAndSort: (act) => ROWS.forEach((data) => act({ data })),
};

test("a grid on paper has its named columns and says what is not known", () => {
  assert.deepEqual(tableOf(api), [
    ["Crane", "Life", "Now", "Last", "Hours"],
    ["yard-01, north", "25 % assumed", "81\u00a0%", "2026-11-30 10:05 UTC", "0"],
    ["yard-02", "no class", "–", "–", "–"],
  ]);
});

test("every kind of cell that pages name can be drawn and printed", () => {
  const data = { ...ROWS[0], crane_href: "/crane/x", crane_text: "a day", crane_state: "act", state: "act", word: "limit", life_band: [0.8, 1] };
  for (const [name, { draw, text }] of Object.entries(CELLS)) {
    const column = { field: "crane", cellRendererParams: { kind: "life" } };
    assert.ok(renderToStaticMarkup(React.createElement("p", null, draw({ data, colDef: column, kind: "life", full: 1, stale_after_ms: 1 }))).length > 8, name);
    assert.ok(text(data, column), name);
  }
});

test("a bar is as long as its value and hatched where attention begins; without a value it is empty", () => {
  const width = (data) => {
    document.body.innerHTML = renderToStaticMarkup(CELLS.BarCell.draw({ data, kind: "life", full: 1, band: [0.8, 1] }));
    return ["fill", "band"].map((part) => document.querySelector(`.bl-bar-${part}`)?.style.width);
  };
  assert.equal(width(ROWS[0])[0], "25%");
  assert.equal(Number.parseFloat(width(ROWS[0])[1]).toFixed(3), "20.000");
  assert.equal(width(ROWS[1])[0], undefined);
});

test("a file holds the columns that its button names, and no cell that a spreadsheet would run", () => {
  assert.equal(csvOf(api, "name=crane hours=hours"), "name,hours\r\nyard-01,0\r\nyard-02,\r\n");
  assert.deepEqual(["=1+1", "+x", "-2", "@a", 'say "a", b', -1.5].map(csvCell), ["'=1+1", "'+x", "'-2", "'@a", '"say ""a"", b"', "-1.5"]);
});

test("order and filters go into the address and come back from it", () => {
  const done = {};
  const grid = {
    getColumn: (field) => (field === "crane" ? {} : null),
    getColumnState: () => [{ colId: "title" }, { colId: "crane", sort: "desc" }],
    getFilterModel: () => ({ crane: { filterType: "text", type: "contains", filter: "a.b" }, life: { filterType: "number", filter: 3 } }),
    applyColumnState: ({ state }) => Object.assign(done, { state }),
    setFilterModel: (model) => Object.assign(done, { model }),
  };
  const search = new URLSearchParams({ sort: orderOf(grid, "fleet"), filter: filtersOf(grid, "fleet") });
  assert.equal(search.get("sort"), "fleet.crane.desc");
  restore(grid, "fleet", `?${search}`);
  assert.deepEqual(done, { state: [{ colId: "crane", sort: "desc" }], model: { crane: { filterType: "text", type: "contains", filter: "a.b" } } });
});

test("an address of another grid, of a column that is gone or without a text changes nothing", () => {
  const grid = { getColumn: (field) => (field === "crane" ? {} : null), applyColumnState: assert.fail, setFilterModel: assert.fail };
  restore(grid, "fleet", "?sort=life.crane.asc&filter=fleet.gone.contains.x;fleet.crane.contains");
});
