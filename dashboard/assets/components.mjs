/* What follows the live feed, and small components; the Python classes of the same names are in dashboard/parts/components.py. */
const { React } = window;
const h = React.createElement;
const { useEffect, useRef, useState } = React;

/* ---- live feed: one bus that every live element listens to ---- */
const newest = new Map();
const listeners = new Set();
const bus = {
  publish(rows) {
    for (const [crane, row] of Object.entries(rows || {})) newest.set(crane, row);
    for (const listener of listeners) listener(rows || {});
  },
  listen(listener) {
    listeners.add(listener);
    return () => listeners.delete(listener);
  },
  get: (crane) => newest.get(crane),
};

/* While paused the newest rows wait here; on resuming they are all shown at once. */
export function LiveFeed(props) {
  const waiting = useRef({});
  useEffect(() => {
    Object.assign(waiting.current, props.data || {});
    if (props.paused) return;
    bus.publish(waiting.current);
    waiting.current = {};
  }, [props.data, props.paused]);
  const newestText = props.data ? JSON.stringify(Object.values(props.data).map((row) => row.values.utilisation_pct)) : "";
  return h("span", { id: props.id, hidden: true, "data-live": props.data ? "yes" : "no", "data-newest": newestText });
}

export function useLive(crane) {
  const [row, setRow] = useState(crane ? bus.get(crane) : undefined);
  useEffect(() => {
    if (!crane) return undefined;
    setRow(bus.get(crane));
    return bus.listen((rows) => rows[crane] && setRow(rows[crane]));
  }, [crane]);
  return row;
}

/* ---- small live elements ---- */
const seconds = new Set();
setInterval(() => seconds.forEach((tick) => tick()), 1000);

/* An age [ms] in words. The steps come with the words: below which age, and in units of what. */
function spoken(age, words) {
  const [text, , unit] = words.steps.find(([, below]) => below === null || age < below);
  return text.replace("{n}", Math.floor(age / unit));
}

export function Age(props) {
  const [, again] = useState(0);
  useEffect(() => {
    const tick = () => again((n) => n + 1);
    seconds.add(tick);
    return () => seconds.delete(tick);
  }, []);
  const row = useLive(props.crane);
  const at = row && row.at && (!props.at || row.at > props.at) ? row.at : props.at;
  if (!at) return h("span", { id: props.id, className: "bl-age bl-age-stale" }, props.words.never);
  const age = Date.now() - Date.parse(at);
  const stale = age > props.stale_after_ms;
  return h(
    "time",
    { id: props.id, className: stale ? "bl-age bl-age-stale" : "bl-age", dateTime: at },
    spoken(age, props.words) + (stale ? ", " + props.words.stale : ""),
  );
}

export function number(value, decimals, parted) {
  const text = value.toFixed(decimals).replace("-", "\u2212");
  return parted ? text.replace(/\B(?=(\d{3})+(?!\d))/g, "\u202f") : text;
}

export function LiveValue(props) {
  const row = useLive(props.crane);
  let value = props.value;
  if (row && row.values && typeof row.values[props.channel] === "number") value = row.values[props.channel];
  const none = value === null || value === undefined;
  const text = none ? props.missing : number(value * (props.factor || 1), props.decimals || 0) + (props.unit || "");
  return h("span", { id: props.id, className: "bl-live-value" }, text);
}

export function state(value, watch, act) {
  if (value >= act) return "act";
  return value >= watch ? "watch" : "ok";
}

export function LiveMark(props) {
  const row = useLive(props.crane);
  const value = row && row.values && typeof row.values.utilisation_pct === "number" ? row.values.utilisation_pct : props.value;
  const unknown = typeof value !== "number" || (props.stale && !row);
  const now = unknown ? "stale" : state(value, props.watch_from, props.act_from);
  return h("span", { id: props.id, className: "bl-mark bl-" + now }, h("span", { className: "bl-mark-shape", "aria-hidden": true }), props.words[now]);
}

/* Utilisation against its band, kept current by the live feed: the hatched part is from the warning to the limit. */
export function LiveBar(props) {
  const row = useLive(props.crane);
  const live = row && row.values ? row.values[props.channel] : undefined;
  const value = typeof live === "number" ? live : props.value;
  const part = (percent) => Math.max(0, Math.min(100, (100 * percent) / props.full)) + "%";
  const known = typeof value === "number";
  return h(
    "span",
    { id: props.id, className: "bl-bar bl-live-bar bl-" + (known ? state(value, props.watch_from, props.act_from) : "stale") },
    h(
      "span",
      { className: "bl-bar-track", role: "img", "aria-label": props.label },
      h("span", { className: "bl-bar-band", style: { left: part(props.watch_from), width: `calc(${part(props.act_from)} - ${part(props.watch_from)})` } }),
      known ? h("span", { className: "bl-bar-fill", style: { width: part(value) } }) : null,
    ),
  );
}

/* One of a few words: buttons of the browser, so that keys and screen readers know them. */
export function Choice({ value, options, label, wide, setProps }) {
  const name = React.useId();
  return h(
    "div",
    { className: wide ? "bl-choice bl-choice-wide" : "bl-choice", role: "radiogroup", "aria-label": label },
    options.map(([key, word]) =>
      h("label", { key, className: "bl-choice-one" }, h("input", { type: "radio", name, checked: key === value, onChange: () => setProps({ value: key }) }), word),
    ),
  );
}

/* Does something to every element of a selector when it comes onto the page: one watcher for all who want that. */
const wanted = [];
export function whenThere(selector, act) {
  wanted.push([selector, act]);
}
new MutationObserver(() => wanted.forEach(([selector, act]) => document.querySelectorAll(selector).forEach(act))).observe(document.documentElement, {
  childList: true,
  subtree: true,
});
