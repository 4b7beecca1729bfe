/* What several scripts need of a page: its grids, its address, and word of elements that come. */

/** The grid of a name, once it is drawn.
 * @type {(name: string) => GridApi | null | undefined} */
export const grid = (name) => window.dash_ag_grid?.getApi(name);

/** Sets or takes out parameters of the address, without a new visit.
 * @type {(changes: Record<string, string>) => void} */
export function writeQuery(changes) {
  const query = new URLSearchParams(window.location.search);
  for (const [name, value] of Object.entries(changes)) {
    if (value) query.set(name, value);
    else query.delete(name);
  }
  const search = query.toString();
  window.history.replaceState(window.history.state, "", window.location.pathname + (search ? "?" + search : ""));
}

/** Moves the focus to a heading, for those who cannot see that something has come.
 * @type {(heading: HTMLElement) => void} */
export function focusOn(heading) {
  heading.setAttribute("tabindex", "-1");
  heading.focus({ preventScroll: true });
}

/** @type {[string, (element: HTMLElement) => void][]} */
const awaited = [];

/** Does something to every element of a selector whenever the page changes: one watcher for all who want that.
 * @type {(selector: string, act: (element: HTMLElement) => void) => void} */
export function whenThere(selector, act) {
  awaited.push([selector, act]);
}

new MutationObserver(() => {
  for (const [selector, act] of awaited) document.querySelectorAll(selector).forEach((found) => act(/** @type {HTMLElement} */ (found)));
}).observe(document.documentElement, { childList: true, subtree: true });
