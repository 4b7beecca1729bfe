/* Long lists: what their cells look like and read as, by the names that pages give in `cellRenderer`; their lesser columns; their
   order and filters in the address. */
import { number } from "./figures.mjs";
import { Age, known, LiveValue, mark, track } from "./live.mjs";
import { whenThere, writeQuery } from "./page.mjs";
import { follow } from "./links.mjs";

const { createElement: h } = React;
const NARROW_PX = 700;
const NONE = "–";

/** @type {(href: string, text: string) => React.ReactElement} */
const link = (href, text) => h("a", { href, className: "bl-link", onClick: (/** @type {React.MouseEvent} */ event) => follow(event, href) }, text);
/** @type {(text: string) => React.ReactElement} */
const note = (text) => h("span", { className: "bl-cell-note" }, text);

/** Each kind of cell: how it is drawn, and its text on paper.
 * @type {Record<string, { draw: (props: CellProps & Record<string, any>) => React.ReactNode, text: (data: GridRow, column: Column) => unknown }>} */
export const CELLS = {
  CraneCell: {
    draw: ({ data }) => h("div", { className: "bl-cell-crane" }, link("/crane/" + data.crane, data.crane), note(data.title)),
    text: ({ crane, title }) => [crane, title].filter(Boolean).join(", "),
  },
  LinkCell: {
    draw: ({ data, colDef: { field } }) => link(data[field + "_href"], data[field]),
    text: (data, { field }) => data[field],
  },
  /* A day that sorts by its ISO form and reads as people write it. */
  DayCell: {
    draw: ({ data, colDef: { field } }) => data[field + "_text"],
    text: (data, { field }) => data[field + "_text"],
  },
  MarkCell: { draw: ({ data }) => mark(data.state, data.word), text: ({ word }) => word },
  /* A bar against the band that needs attention, of the column or of the row; kind names the fields of the row. */
  BarCell: {
    draw: ({ data, kind, full, band }) =>
      h(
        "div",
        { className: "bl-bar bl-" + data[kind + "_state"] },
        h("span", { className: "bl-bar-text" }, data[kind + "_text"], data[kind + "_note"] ? note(" " + data[kind + "_note"]) : null),
        track(data[kind], full, band || data[kind + "_band"]),
      ),
    text: (data, { cellRendererParams: { kind } }) => [data[kind + "_text"], data[kind + "_note"]].filter(Boolean).join(" "),
  },
  NowCell: {
    draw: ({ data }) => h(LiveValue, { crane: data.crane, channel: "utilisation_pct", value: data.now, unit: "\u00a0%", missing: NONE }),
    text: ({ now }) => (known(now) ? number(now, 0) + "\u00a0%" : NONE),
  },
  AgeCell: {
    draw: ({ data, stale_after_ms }) => h(Age, { crane: data.crane, at: data.at, stale_after_ms, words: window.boomledger_words.age }),
    text: ({ at }) => (at ? at.slice(0, 16).replace("T", " ") + " UTC" : NONE),
  },
  /* A due day that is past or near carries its shape as well as its colour. */
  DueCell: {
    draw: ({ data, colDef: { field } }) =>
      data[field + "_state"] === "ok" ? h("span", { className: "bl-cell-soft" }, data[field + "_text"]) : mark(data[field + "_state"], data[field + "_text"]),
    text: (data, { field }) => data[field + "_text"],
  },
};
window.dashAgGridComponentFunctions = Object.fromEntries(Object.entries(CELLS).map(([name, { draw }]) => [name, draw]));

/** Lesser columns leave where the grid is narrow; its events come too early to be heard, so its box is watched.
 * @type {(api: GridApi, width: number) => void} */
function hideLesser(api, width) {
  const wide = width >= NARROW_PX;
  /** @type {string[]} */
  const lesser = api.getGridOption("context")?.lesser || [];
  const others = lesser.filter((name) => (api.getColumn(name)?.isVisible() ?? wide) !== wide);
  if (others.length && width) api.setColumnsVisible(others, wide);
}

/* ---- order and filters: sort=GRID.FIELD.asc, filter=GRID.FIELD.TYPE.TEXT, several parted by ";" ---- */
/** The order as its entry in the address, "" without one.
 * @type {(api: GridApi, short: string) => string} */
export function orderOf(api, short) {
  const column = api.getColumnState().find(({ sort }) => sort);
  return column ? `${short}.${column.colId}.${column.sort}` : "";
}

/** @type {(api: GridApi, short: string) => string} */
export const filtersOf = (api, short) =>
  Object.entries(api.getFilterModel())
    .filter(([, { filterType, filter }]) => filterType === "text" && filter)
    .map(([field, { type, filter }]) => [short, field, type, filter].join("."))
    .join(";");

/** Orders and filters a grid as the address says.
 * @type {(api: GridApi, short: string, search: string) => void} */
export function restore(api, short, search) {
  const query = new URLSearchParams(search);
  /** @type {(name: string) => string[][]} */
  const own = (name) =>
    (query.get(name) || "").split(";").map((one) => one.split(".")).filter(([of, field]) => of === short && api.getColumn(field)).map(([, ...rest]) => rest);
  const [order] = own("sort");
  if (order) api.applyColumnState({ state: [{ colId: order[0], sort: order[1] === "asc" ? "asc" : "desc" }], defaultState: { sort: null } });
  const wanted = own("filter").filter(([, , ...text]) => text.length);
  if (wanted.length) api.setFilterModel(Object.fromEntries(wanted.map(([field, type, ...text]) => [field, { filterType: "text", type, filter: text.join(".") }])));
}

whenThere("[data-grid]:not([data-kept])", (box) => {
  const name = box.dataset.grid || "";
  box.dataset.kept = "yes";
  window.dash_ag_grid?.getApiAsync(name).then((api) => {
    const short = name.replace(/-grid$/, "");
    const usual = orderOf(api, short);
    restore(api, short, window.location.search);
    api.addEventListener("sortChanged", () => writeQuery({ sort: orderOf(api, short) === usual ? "" : orderOf(api, short) }));
    api.addEventListener("filterChanged", () => writeQuery({ filter: filtersOf(api, short) }));
    const watcher = new ResizeObserver(() => {
      if (!box.isConnected || api.isDestroyed()) watcher.disconnect();
      else hideLesser(api, box.clientWidth);
    });
    watcher.observe(box);
  });
});
