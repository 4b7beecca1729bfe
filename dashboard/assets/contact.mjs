/* Says on every page when the server, the session or a part of the system is lost, and when the last answer came. */
const WITHIN_MS = 5000;
const words = window.boomledger_words.contact;
let answeredAt = new Date();
let said = "";

const box = document.createElement("div");
box.id = "contact";
box.className = "bl-contact";
box.setAttribute("role", "alert");
box.hidden = true;

const clock = (moment) => moment.toLocaleTimeString("en-GB", { timeZoneName: "short" });
const here = () => window.location.pathname + window.location.search + window.location.hash;

/* state: what CSS and the live elements go by; parts: texts, or [text, address] for a link. */
function say(state, parts) {
  document.documentElement.dataset.contact = state;
  const now = JSON.stringify(parts);
  if (now === said) return;
  said = now;
  box.hidden = parts.length === 0;
  box.replaceChildren(
    ...parts.map((part) => {
      const line = document.createElement(Array.isArray(part) ? "a" : "p");
      line.textContent = Array.isArray(part) ? part[0] : part;
      if (Array.isArray(part)) line.href = part[1];
      return line;
    }),
  );
}

function lost() {
  say("lost", [words.lost.replace("{time}", clock(answeredAt)), words.trying]);
}

async function judged(answer) {
  if (answer.status === 401) {
    say("signed-out", [words.signed_out.replace("{time}", clock(answeredAt)), [words.sign_in, "/login?next=" + encodeURIComponent(here())]]);
    return;
  }
  if (!answer.ok) {
    lost();
    return;
  }
  const system = await answer.json();
  answeredAt = new Date();
  const parts = system.troubles.map((one) => `${one.text} (${words.since.replace("{time}", clock(new Date(one.since)))}). ${one.consequence} ${one.what_to_do}`);
  say(parts.length ? "trouble" : "ok", parts);
}

async function ask() {
  if (!document.hidden) {
    try {
      await judged(await fetch("/api/v1/system", { signal: AbortSignal.timeout(WITHIN_MS), cache: "no-store" }));
    } catch {
      lost();
    }
  }
  setTimeout(ask, words.every_ms);
}

document.addEventListener("DOMContentLoaded", () => document.body.prepend(box));
if (document.body) document.body.prepend(box);
if (window.location.pathname !== "/login") setTimeout(ask, words.every_ms);
