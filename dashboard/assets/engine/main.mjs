/* The part of dashboard/engine that runs in the browser; without it the page is ordinary Dash. */
import "./generators.mjs";
import { Packed } from "./pack.mjs";

window.boomledger.Packed = Packed;

/* Pages that open with a long list: what draws it is fetched at once, not first when the list has come. */
if (/^\/($|fleet|faults|service|data|settings|alerts|life\/?$)/.test(window.location.pathname)) {
  const script = document.createElement("script");
  script.src = window.location.origin + "/_dash-component-suites/dash_ag_grid/async-community.js";
  script.async = true;
  document.head.append(script);
}

const prerendered = document.getElementById("prerender");
if (prerendered) {
  /* What was shown of the page before any script ran leaves as the page comes. */
  const watcher = new MutationObserver(() => {
    if (!document.querySelector("#page h1, #page [data-state]:not([data-state=loading])")) return;
    watcher.disconnect();
    prerendered.remove();
  });
  watcher.observe(document.body, { childList: true, subtree: true });

  /* When the pointer goes down on a link, its page is begun; by the time it goes up, part of the work is done. */
  document.addEventListener("pointerdown", (event) => {
    const link = /** @type {HTMLAnchorElement | null} */ (event.target instanceof Element ? event.target.closest("a[href]") : null);
    if (!link || event.button || link.target || link.download || link.origin !== window.location.origin) return;
    const address = link.pathname + link.search;
    if (address === window.location.pathname + window.location.search || /^\/(api|assets|login)\b/.test(address)) return;
    fetch(address, { headers: { "boomledger-prefetch": "1" } }).catch(() => undefined);
  });
}
