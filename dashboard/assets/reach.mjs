/* What the mouse does, the keys do, and what is done gets an address: Enter follows the link of a cell, a span that is dragged
   on a chart of the record becomes a link to its trace, and the order and the filters of a grid stand in the address. */
import { whenThere } from "./components.mjs";

document.addEventListener("keydown", (event) => {
  const cell = event.key === "Enter" && event.target.classList && event.target.classList.contains("ag-cell") ? event.target : null;
  const link = cell && cell.querySelector("a[href]");
  if (!link) return;
  event.preventDefault();
  link.click();
});

/* Plotly gives the wall clock of the site, as "2026-11-25 08:15:02.5"; a time without an offset is read as that. */
const clock = (text) => String(text).slice(0, 19).replace(" ", "T");

function listen(graph) {
  const figure = graph.closest("[data-trace]");
  const link = figure && figure.querySelector(".bl-dragged");
  if (!link || graph.dataset.heard || !graph.on) return;
  graph.dataset.heard = "yes";
  graph.on("plotly_relayout", (change) => {
    const from = change["xaxis.range[0]"];
    const to = change["xaxis.range[1]"];
    link.hidden = !from || !to;
    if (link.hidden) return;
    const query = new URLSearchParams({ tab: "trace", from: clock(from), to: clock(to) });
    link.href = figure.dataset.trace + "?" + query;
    link.textContent = link.dataset.words.replace("{from}", clock(from).replace("T", " ")).replace("{to}", clock(to).replace("T", " "));
  });
}

/* ---- order and filters of grids: sort=GRID.FIELD.asc, filter=GRID.FIELD.TYPE.TEXT, several parted by ";" ---- */
const sorted = (api) => (api.getColumnState().find((column) => column.sort) || {});
const orderOf = (api) => [sorted(api).colId, sorted(api).sort].filter(Boolean).join(".");
const filtersOf = (api) =>
  Object.entries(api.getFilterModel())
    .filter(([, one]) => one.filterType === "text" && one.filter)
    .map(([field, one]) => `${field}.${one.type}.${one.filter}`);

function write(name, value) {
  const query = new URLSearchParams(window.location.search);
  if (value) query.set(name, value);
  else query.delete(name);
  const search = query.toString();
  window.history.replaceState(window.history.state, "", window.location.pathname + (search ? "?" + search : ""));
}

function restore(api, short) {
  const query = new URLSearchParams(window.location.search);
  const own = (name) => (query.get(name) || "").split(";").filter((one) => one.startsWith(short + ".")).map((one) => one.slice(short.length + 1).split("."));
  const [order] = own("sort");
  if (order && api.getColumn(order[0])) api.applyColumnState({ state: [{ colId: order[0], sort: order[1] === "asc" ? "asc" : "desc" }], defaultState: { sort: null } });
  const model = {};
  own("filter").forEach(([field, type, ...rest]) => {
    if (api.getColumn(field) && rest.length) model[field] = { filterType: "text", type, filter: rest.join(".") };
  });
  if (Object.keys(model).length) api.setFilterModel(model);
}

function keep(box) {
  box.dataset.kept = "yes";
  const short = box.dataset.grid.replace(/-grid$/, "");
  window.dash_ag_grid.getApiAsync(box.dataset.grid).then((api) => {
    const usual = orderOf(api);
    restore(api, short);
    api.addEventListener("sortChanged", () => write("sort", orderOf(api) && orderOf(api) !== usual ? `${short}.${orderOf(api)}` : ""));
    api.addEventListener("filterChanged", () => write("filter", filtersOf(api).map((one) => `${short}.${one}`).join(";")));
  });
}

whenThere("[data-grid]:not([data-kept])", keep);

/* ---- a part that was asked for by a link of the same page: brought into view, its heading has the focus ---- */
function arrive(part) {
  if (part.dataset.arrived === part.dataset.arrive) return;
  part.dataset.arrived = part.dataset.arrive;
  requestAnimationFrame(() => {
    const heading = part.querySelector("h2");
    if (!heading) return;
    heading.setAttribute("tabindex", "-1");
    heading.focus({ preventScroll: true });
    heading.scrollIntoView({ block: "nearest" });
  });
}

whenThere("[data-arrive]", arrive);

whenThere("[data-trace] .js-plotly-plot", listen);
