/* What the frame does in the browser: theme, units, pause, navigation, address, painting of figures. */
import { focusOn, writeQuery } from "./page.mjs";
import { forget } from "./typed.mjs";
import { currentScheme, painted } from "./theme.mjs";

const dash = (window.dash_clientside = window.dash_clientside || {});
const same = () => window.dash_clientside.no_update;

/* Once in five minutes of use: what stands in the frame and changes seldom is asked for again. */
/** @type {number | null} */
let minute = null;
function moveOn() {
  const now = Math.floor(Date.now() / 300000);
  if (now !== minute) window.dash_clientside.set_props("minute", { data: now });
  minute = now;
}
const whenIdle = (/** @type {() => void} */ job) => (window.requestIdleCallback ? window.requestIdleCallback(job, { timeout: 2000 }) : setTimeout(job, 500));

/** @type {string | null} */
let lastPath = null;
/** @type {unknown} */
let lastAnswer = null;

/** @type {Record<string, (...values: any[]) => unknown>} */
dash.boomledger_ui = {
  startScheme: (clicks, stored) => {
    const now = currentScheme(stored);
    return clicks ? (now === "dark" ? "light" : "dark") : now;
  },
  applyScheme: (scheme, shown) => (currentScheme(scheme) === shown ? same() : currentScheme(scheme)),
  flipUnits: (clicks, units) => (clicks ? (units === "us" ? "metric" : "us") : same()),
  /* The cookie tells the server what to draw before these scripts can. */
  nameUnits: (units) => {
    const one = units === "us" ? "us" : "metric";
    document.cookie = `boomledger_units=${one}; path=/; max-age=31536000; samesite=lax`;
    return window.boomledger_words[`units_${one}`];
  },
  flipPause: (clicks, paused) => {
    if (!clicks) return [same(), same()];
    const next = !paused;
    document.documentElement.toggleAttribute("data-paused", next);
    return [next, window.boomledger_words[next ? "resume" : "pause"]];
  },
  passPause: (paused) => Boolean(paused),
  paint: (figure, scheme) => (figure ? painted(figure, window.boomledger_palette[currentScheme(scheme)]) : same()),

  /* A new page: window title, focus on its heading for those who cannot see it change, current link. */
  arrive: (title, path) => {
    if (title) document.title = title;
    const here = (path || "/").replace(/\/$/, "") || "/";
    document.querySelectorAll("a.bl-nav-link").forEach((link) => {
      const target = link.getAttribute("href") || "";
      const current = target === "/fleet" ? here === "/" || here === "/fleet" || here.startsWith("/crane/") : here === target || here.startsWith(target + "/");
      if (current) link.setAttribute("aria-current", "page");
      else link.removeAttribute("aria-current");
    });
    if (lastPath !== null && lastPath !== here) {
      window.dash_clientside.set_props("notice", { children: "" });
      requestAnimationFrame(() => {
        const heading = /** @type {HTMLElement | null} */ (document.querySelector("#page h1"));
        if (heading) focusOn(heading);
        window.scrollTo(0, 0);
      });
    }
    lastPath = here;
    whenIdle(moveOn);
    return title;
  },

  /* An answer that was drawn: to the part that the address names, else, for another job, to its beginning. */
  toHash: (drawn) => {
    const part = window.location.hash.slice(1) || (drawn && lastAnswer !== null && lastAnswer !== drawn ? "dispatch-answer" : "");
    lastAnswer = drawn;
    if (part) {
      requestAnimationFrame(() => {
        const target = document.getElementById(part);
        if (target) target.scrollIntoView();
      });
    }
    return same();
  },

  openMenu: (opened, path, navbar) => {
    const byMenu = (dash.callback_context.triggered || []).some((/** @type {{ prop_id: string }} */ one) => one.prop_id === "menu.opened");
    const open = byMenu ? Boolean(opened) : false;
    if (navbar.collapsed.mobile === !open && Boolean(opened) === open) return [same(), same()];
    return [{ ...navbar, collapsed: { mobile: !open } }, open];
  },

  signOut: (clicks) => {
    if (!clicks) return same();
    forget();
    fetch("/api/v1/logout", { method: "POST" })
      .then((answer) => answer.json())
      .then((told) => window.location.assign(told.next || "/login"), () => window.location.assign("/login"));
    return "";
  },

  goToCrane: (name) => (name ? ["/crane/" + name, null] : [same(), same()]),

  /* Narrows the table of the fleet down while somebody types, and keeps the text in the address. */
  filterGrid: (text) => {
    const words = (text || "").trim();
    window.dash_ag_grid?.getApiAsync("fleet-grid").then((grid) => grid.setGridOption("quickFilterText", words));
    writeQuery({ q: words });
    return words;
  },

  /* When somebody sends the form of a job: not when it has just come. */
  sendJob: (clicks, entered) => (clicks || entered.some(Boolean) ? Date.now() : same()),

  /* Opens the lines of an own S-N curve when it is chosen. */
  openOwnCurve: (curve) => (curve === "own" ? true : same()),

  /* Controls that live in the address: each writes its parameter, a default takes it out. */
  mergeQuery: (values, ids, search) => {
    const query = new URLSearchParams(search || "");
    const before = query.toString();
    ids.forEach((/** @type {{ name: string, default: unknown }} */ id, /** @type {number} */ index) => {
      const value = values[index];
      if (value === null || value === undefined) return;
      if (String(value) === String(id.default)) query.delete(id.name);
      else query.set(id.name, String(value));
    });
    const after = query.toString();
    return after === before ? same() : after ? "?" + after : "";
  },
};
