/* Says on every page when the server, the session or a part of the system is lost, and when the last answer came. */
import { keep, release } from "./typed.mjs";

const WITHIN_MS = 5000;
const place = () => window.location.pathname + window.location.search + window.location.hash;
const wayIn = (/** @type {string} */ next) => "/login?next=" + encodeURIComponent(next);
const clock = (/** @type {Date} */ moment) => moment.toLocaleTimeString("en-GB", { timeZoneName: "short" });

/** What to say after an answer, or after none: its name for the style sheet, and lines of text or [text, address].
 * @type {(answer: { status: number, troubles: Trouble[] } | null, answeredAt: Date, here: string, words: ContactWords) => { state: string, lines: (string | [string, string])[] }} */
export function told(answer, answeredAt, here, words) {
  const time = clock(answeredAt);
  if (answer?.status === 401) {
    return { state: "signed-out", lines: [words.signed_out.replace("{time}", time), [words.sign_in, wayIn(here)]] };
  }
  if (answer?.status !== 200) return { state: "lost", lines: [words.lost.replace("{time}", time), words.trying] };
  const lines = answer.troubles.map((one) => `${one.text} (${words.since.replace("{time}", clock(new Date(one.since)))}). ${one.consequence} ${one.what_to_do}`);
  return { state: lines.length ? "trouble" : "ok", lines };
}

const box = document.createElement("div");
Object.assign(box, { id: "contact", className: "bl-contact", hidden: true });
box.setAttribute("role", "alert");

let shown = "";
/** @type {(what: ReturnType<typeof told>) => void} */
function show({ state, lines }) {
  document.documentElement.dataset.contact = state;
  if (JSON.stringify(lines) === shown) return;
  shown = JSON.stringify(lines);
  box.hidden = lines.length === 0;
  box.replaceChildren(
    ...lines.map((line) => {
      const [text, href] = typeof line === "string" ? [line] : line;
      return Object.assign(document.createElement(href ? "a" : "p"), { textContent: text }, href ? { href } : {});
    }),
  );
}

async function answered() {
  const came = await fetch("/api/v1/system", { signal: AbortSignal.timeout(WITHIN_MS), cache: "no-store" });
  return { status: came.status, troubles: came.status === 200 ? (await came.json()).troubles : [] };
}

let answeredAt = new Date();
async function ask() {
  const words = window.boomledger_words.contact;
  if (!document.hidden) {
    const answer = await answered().catch(() => null); // none, or none that can be read
    if (answer?.status === 200) answeredAt = new Date();
    if (answer?.status === 401) keep();
    else if (answer?.status === 200 && document.documentElement.dataset.contact === "signed-out") release(); // signed in elsewhere
    show(told(answer, answeredAt, place(), words));
  }
  setTimeout(ask, words.every_ms);
}

/** Puts the banner on the page and begins to ask; whoever signs in comes back. */
export function watch() {
  document.addEventListener("click", ({ target }) => {
    const way = target instanceof Element ? target.closest('a[href="/login"]') : null;
    if (way instanceof HTMLAnchorElement) way.href = wayIn(place());
  }, true);
  document.body.prepend(box);
  if (window.location.pathname !== "/login") setTimeout(ask, window.boomledger_words.contact.every_ms);
}
