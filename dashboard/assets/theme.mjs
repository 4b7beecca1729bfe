/* Colours: the scheme in force, figures in its colours, and paper, which is light. */
const ROOT = document.documentElement;
const SCHEME = "data-mantine-color-scheme";

/** @type {(kept: string | null | undefined) => Scheme} */
export function currentScheme(kept) {
  if (kept === "light" || kept === "dark") return kept;
  return window.matchMedia("(prefers-color-scheme: dark)").matches ? "dark" : "light";
}

/** A figure with every text in it exchanged; what holds numbers stays as it is.
 * @type {(value: any, exchange: (text: string) => string) => any} */
export function recoloured(value, exchange) {
  if (typeof value === "string") return exchange(value);
  if (Array.isArray(value)) return typeof value[0] === "number" ? value : value.map((one) => recoloured(one, exchange));
  if (!value || Object.getPrototypeOf(value) !== Object.prototype) return value;
  return Object.fromEntries(Object.entries(value).map(([name, one]) => [name, recoloured(one, exchange)]));
}

/** Figures come with the parts that colours play, such as "@series"; here they get the colours of a scheme.
 * @type {(figure: any, colours: Record<string, string>) => any} */
export const painted = (figure, colours) => recoloured(figure, (text) => (text.startsWith("@") ? colours[text.slice(1)] || text : text));

/* While a page is printed, colours of the dark theme stand for those of the light one, in charts too. */
let darkened = false;

/** @type {(from: Scheme, to: Scheme) => void} */
function repaint(from, to) {
  const { boomledger_palette: palette, Plotly } = window;
  ROOT.setAttribute(SCHEME, to);
  if (!Plotly) return;
  const colours = Object.fromEntries(Object.keys(palette[from]).map((role) => [palette[from][role], palette[to][role]]));
  /** @type {(value: any) => any} */
  const exchanged = (value) => recoloured(value, (text) => colours[text] || text);
  document.querySelectorAll(".js-plotly-plot").forEach((found) => {
    const graph = /** @type {Graph} */ (found);
    if (graph.data) Plotly.react(graph, exchanged(graph.data), exchanged(graph.layout));
  });
}

window.addEventListener("beforeprint", () => {
  darkened = ROOT.getAttribute(SCHEME) === "dark";
  if (darkened) repaint("dark", "light");
});
window.addEventListener("afterprint", () => {
  if (darkened) repaint("light", "dark");
  darkened = false;
});
