/* Keeps what was typed over a new sign-in: in this tab, by address and account, and never what a password field holds. */
const KEY = "boomledger_typed:";
const LOOK_EVERY_MS = 250;
const LOOK_FOR_MS = 20_000;
const PLAIN = ["text", "number", "search", "email", "tel", "url", "textarea"];

/** @typedef {HTMLInputElement | HTMLTextAreaElement} Field */
/** @type {WeakSet<Element>} */
const touched = new WeakSet();
const address = () => window.location.pathname + window.location.search;
const who = () => document.getElementById("who")?.textContent || "";

/** Whether an element is a field of the page whose value may be kept.
 * @type {(element: EventTarget | null) => element is Field} */
function isField(element) {
  if (!(element instanceof HTMLInputElement || element instanceof HTMLTextAreaElement)) return false;
  return element.id !== "" && PLAIN.includes(element.type) && element.closest("#page") !== null && element.closest(".mantine-PasswordInput-root") === null;
}

/** A list shows words; its value stands behind it, hidden.
 * @type {(field: Field) => string} */
function valueOf(field) {
  const hidden = field.getAttribute("aria-haspopup") === "listbox" ? field.closest(".mantine-Select-root")?.nextElementSibling : null;
  return hidden instanceof HTMLInputElement ? hidden.value : field.value;
}

const touch = (/** @type {Event} */ { type, target }) => {
  if (isField(target) && (type === "input" || target.getAttribute("aria-haspopup") === "listbox")) touched.add(target);
};

/** Keeps what was typed on this page: the session has ended. */
export function keep() {
  const fields = Object.fromEntries([...document.querySelectorAll("#page input, #page textarea")].flatMap((one) => (isField(one) && touched.has(one) ? [[one.id, valueOf(one)]] : [])));
  if (Object.keys(fields).length) sessionStorage.setItem(KEY + address(), JSON.stringify({ who: who(), fields }));
}

/** Forgets what was kept of this page: nobody had to leave it. */
export const release = () => sessionStorage.removeItem(KEY + address());

/** Forgets what was kept of any page. */
export function forget() {
  for (const name of Object.keys(sessionStorage)) if (name.startsWith(KEY)) sessionStorage.removeItem(name);
}

/** Gives a field its value as its component has it: a number as a number.
 * @type {(field: Field, value: string) => void} */
function fill(field, value) {
  const numeric = field.closest(".mantine-NumberInput-root") && value !== "" && Number.isFinite(Number(value));
  const id = field.id.startsWith("{") ? JSON.parse(field.id) : field.id;
  window.dash_clientside.set_props(id, { value: numeric ? Number(value) : value });
  touched.add(field);
}

/** Puts back what was kept of this page, once its fields are drawn, for the account that typed it.
 * @type {(said: string) => void} */
function bringBack(said) {
  const kept = JSON.parse(sessionStorage.getItem(KEY + address()) || "null");
  if (kept === null) return;
  const left = new Map(Object.entries(kept.fields));
  const until = Date.now() + LOOK_FOR_MS;
  const look = setInterval(() => {
    if (!who()) return;
    const same = who() === kept.who;
    for (const [id, value] of same ? left : []) {
      const field = document.getElementById(id);
      if (!isField(field)) continue;
      if (valueOf(field) === value) left.delete(id);
      else fill(field, value);
    }
    if (same && left.size && Date.now() < until) return;
    clearInterval(look);
    release();
    if (same && left.size < Object.keys(kept.fields).length) window.dash_clientside.set_props("notice", { children: said });
  }, LOOK_EVERY_MS);
}

/** Begins to notice what is typed, and puts back what was. */
export function watchTyping() {
  for (const kind of ["input", "focusin"]) document.addEventListener(kind, touch, true);
  window.addEventListener("pagehide", () => document.documentElement.dataset.contact === "signed-out" && keep());
  bringBack(window.boomledger_words.contact.typed_back);
}
