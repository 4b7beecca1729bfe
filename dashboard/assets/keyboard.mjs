/* What keys, forms and charts need of the browser besides callbacks (dashboard/parts/form.py, grid.py, charts.py, pages/health/file_import.py). */
import { number } from "./figures.mjs";
import { focusOn, grid, whenThere } from "./page.mjs";

/** The element that an event came from, if it or one around it fits.
 * @type {(event: Event, selector: string) => HTMLElement | null} */
const around = (event, selector) => (event.target instanceof Element ? event.target.closest(selector) : null);

/** What a key asks for: a click on the link of a cell, the sending of a form, or the search for a crane.
 * @type {(event: KeyboardEvent) => (() => void) | null | undefined} */
export function wantedBy(event) {
  const field = /** @type {HTMLElement} */ (event.target);
  if (event.key === "/" && !event.ctrlKey && !event.metaKey && !event.altKey) {
    const search = document.getElementById("find-crane");
    return field.isContentEditable || field.matches("input, textarea, select") || !search ? null : () => search.focus();
  }
  if (event.key !== "Enter" || event.isComposing) return null;
  /** @type {HTMLElement | null} */
  let button = null;
  if (field.matches(".ag-cell")) button = field.querySelector("a[href]");
  /* In a line of text, as everywhere; in a list Enter chooses, in a tall field it is a new line. */
  else if (field.matches("input:not([type=file], [type=checkbox], [type=radio], [aria-haspopup])") && !around(event, ".mantine-Select-root"))
    button = around(event, ".bl-form")?.querySelector(":scope > button") || null;
  return button && (() => button.click());
}

document.addEventListener("keydown", (event) => {
  const act = wantedBy(event);
  if (!act) return;
  event.preventDefault();
  act();
});

/* A grid is one stop of the Tab key: arrows lead from cell to cell. */
document.addEventListener("focusin", (event) => {
  const box = around(event, ".bl-grid[data-grid]:not([data-keys])");
  const api = box && grid(box.dataset.grid || "");
  if (!api) return;
  box.dataset.keys = "yes";
  api.setGridOption("tabToNextCell", () => false);
});

/* A file that is too large is said to be so: the field for files turns it down without a word and keeps the one before. */
document.addEventListener(
  "change",
  (event) => {
    const box = around(event, "[data-most-bytes]");
    const [file] = /** @type {HTMLInputElement} */ (event.target).files || [];
    const { mostBytes, tooLarge = "", bytesPerMb, field, problem } = box?.dataset || {};
    if (!file || file.size <= Number(mostBytes ?? Infinity)) return;
    const words = tooLarge.replace("{name}", file.name).replace("{size}", number(file.size / Number(bytesPerMb), 1));
    window.dash_clientside.set_props(field, { contents: null, filename: null, last_modified: null });
    window.dash_clientside.set_props(problem, { children: words });
  },
  true,
);

/* The field behind a button that takes a file has no name of its own: it gets the words of the button. */
whenThere("input[type=file]:not([aria-label])", (field) => field.setAttribute("aria-label", field.parentElement?.textContent || ""));

/* A part that was asked for by a link of the same page: brought into view, its heading has the focus. */
whenThere("[data-arrive]", (part) => {
  if (part.dataset.arrived === part.dataset.arrive) return;
  part.dataset.arrived = part.dataset.arrive;
  requestAnimationFrame(() => {
    const heading = part.querySelector("h2");
    if (!heading) return;
    focusOn(heading);
    heading.scrollIntoView({ block: "nearest" });
  });
});

/** The link to the trace of a span that was dragged on a chart of the record. Plotly gives the wall clock of the site, as
 * "2026-11-25 08:15:02.5"; a time without an offset is read as that.
 * @type {(link: HTMLElement, trace: string, from: string, to: string) => { href: string, text: string }} */
export function spanLink({ dataset: { words = "" } }, trace, from, to) {
  const [start, end] = [from, to].map((text) => text.slice(0, 19));
  const query = new URLSearchParams({ tab: "trace", from: start.replace(" ", "T"), to: end.replace(" ", "T") });
  return { href: `${trace}?${query}`, text: words.replace("{from}", start.replace("T", " ")).replace("{to}", end.replace("T", " ")) };
}

whenThere("[data-trace] .js-plotly-plot:not([data-heard])", (found) => {
  const graph = /** @type {Graph} */ (found);
  const figure = /** @type {HTMLElement | null} */ (graph.closest("[data-trace]"));
  const link = /** @type {HTMLAnchorElement | null | undefined} */ (figure?.querySelector(".bl-dragged"));
  if (!link || !graph.on) return;
  graph.dataset.heard = "yes";
  graph.on("plotly_relayout", (change) => {
    const [from, to] = [change["xaxis.range[0]"], change["xaxis.range[1]"]];
    link.hidden = !from || !to;
    if (link.hidden) return;
    const { href, text } = spanLink(link, figure?.dataset.trace || "", String(from), String(to));
    link.href = href;
    link.textContent = text;
  });
});
