/* What the cells of the grids look like, by the names that pages give in `cellRenderer`. */
import { Age, LiveValue, whenThere } from "./components.mjs";
import { follow } from "./links.mjs";

const { React } = window;
const h = React.createElement;
const cells = (window.dashAgGridComponentFunctions = window.dashAgGridComponentFunctions || {});
const NARROW_PX = 700;

const link = (href, text) => h("a", { href, className: "bl-link", onClick: (event) => follow(event, href) }, text);

cells.CraneCell = ({ data }) =>
  h("div", { className: "bl-cell-crane" }, link("/crane/" + data.crane, data.crane), h("span", { className: "bl-cell-note" }, data.title));

cells.LinkCell = ({ data, colDef }) => link(data[colDef.field + "_href"], data[colDef.field]);

/* A day that sorts by its ISO form and reads as people write it. */
cells.DayCell = ({ data, colDef }) => data[colDef.field + "_text"];

cells.MarkCell = ({ data }) =>
  h("span", { className: "bl-mark bl-" + data.state }, h("span", { className: "bl-mark-shape", "aria-hidden": true }), data.word);

/* A bar against the band that needs attention, of the column or of the row; kind names the fields of the row. */
cells.BarCell = ({ data, kind, full, band }) => {
  const value = data[kind];
  const [low, high] = band || data[kind + "_band"];
  const width = (part) => Math.max(0, Math.min(100, (100 * part) / full));
  return h(
    "div",
    { className: "bl-bar bl-" + data[kind + "_state"] },
    h("span", { className: "bl-bar-text" }, data[kind + "_text"], data[kind + "_note"] ? h("span", { className: "bl-cell-note" }, " " + data[kind + "_note"]) : null),
    h(
      "span",
      { className: "bl-bar-track", "aria-hidden": true },
      h("span", { className: "bl-bar-band", style: { left: width(low) + "%", width: width(high) - width(low) + "%" } }),
      value === null || value === undefined ? null : h("span", { className: "bl-bar-fill", style: { width: width(value) + "%" } }),
    ),
  );
};

cells.NowCell = ({ data }) =>
  h(LiveValue, { crane: data.crane, channel: "utilisation_pct", value: data.now, unit: "\u00a0%", missing: "–" });

cells.AgeCell = ({ data, stale_after_ms }) =>
  h(Age, { crane: data.crane, at: data.at, stale_after_ms, words: window.boomledger_words.age });

/* A due day that is past or near carries its shape as well as its colour. */
cells.DueCell = ({ data, colDef }) => {
  const state = data[colDef.field + "_state"];
  const text = data[colDef.field + "_text"];
  return state === "ok"
    ? h("span", { className: "bl-cell-soft" }, text)
    : h("span", { className: "bl-mark bl-" + state }, h("span", { className: "bl-mark-shape", "aria-hidden": true }), text);
};

/* Lesser columns leave where the grid is narrow; the events of the grid come too early to be heard, so its box is watched. */
function hideLesser(api, width) {
  const lesser = (api.getGridOption("context") || {}).lesser || [];
  const wide = width >= NARROW_PX;
  const others = lesser.filter((name) => (api.getColumn(name) || { isVisible: () => wide }).isVisible() !== wide);
  if (others.length && width) api.setColumnsVisible(others, wide);
}

function fit(box) {
  box.dataset.fitted = "yes";
  window.dash_ag_grid.getApiAsync(box.dataset.grid).then((api) => {
    const watcher = new ResizeObserver(() => {
      if (!box.isConnected || api.isDestroyed()) watcher.disconnect();
      else hideLesser(api, box.clientWidth);
    });
    watcher.observe(box);
  });
}

whenThere("[data-grid]:not([data-fitted])", fit);
