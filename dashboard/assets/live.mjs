/* What follows the live feed, and small components; the Python classes of the same names are in dashboard/parts/components.py. */
import { ageText, number } from "./figures.mjs";

const { createElement: h, useEffect, useRef, useState } = React;

/* ---- live feed: one bus that every live element listens to ---- */
/** @type {Map<string, LiveRow>} */
const newest = new Map();
/** @type {Set<(rows: LiveRows) => void>} */
const listeners = new Set();

/** @type {(rows: LiveRows) => void} */
function publish(rows) {
  for (const [crane, row] of Object.entries(rows)) newest.set(crane, row);
  for (const listener of listeners) listener(rows);
}

/** While paused the newest rows wait here; on resuming they are all shown at once.
 * @param {LiveFeedProps} props */
export function LiveFeed({ id, data, paused }) {
  const waiting = useRef(/** @type {LiveRows} */ ({}));
  useEffect(() => {
    Object.assign(waiting.current, data);
    if (paused) return;
    publish(waiting.current);
    waiting.current = {};
  }, [data, paused]);
  const text = data ? JSON.stringify(Object.values(data).map((row) => row.values.utilisation_pct)) : "";
  return h("span", { id, hidden: true, "data-live": data ? "yes" : "no", "data-newest": text });
}

/** The newest row of a crane, kept current.
 * @type {(crane?: string) => LiveRow | undefined} */
export function useLive(crane) {
  const [row, setRow] = useState(crane ? newest.get(crane) : undefined);
  useEffect(() => {
    if (!crane) return undefined;
    setRow(newest.get(crane));
    /** @type {(rows: LiveRows) => void} */
    const listener = (rows) => rows[crane] && setRow(rows[crane]);
    listeners.add(listener);
    return () => void listeners.delete(listener);
  }, [crane]);
  return row;
}

/** @type {(value: number | null | undefined) => value is number} */
export const known = (value) => typeof value === "number";

/* ---- small elements ---- */
/** A state as a word, a shape and a colour.
 * @type {(state: State, word: string, id?: string) => React.ReactElement} */
export const mark = (state, word, id) =>
  h("span", { id, className: "bl-mark bl-" + state }, h("span", { className: "bl-mark-shape", "aria-hidden": true }), word);

/** The track of a bar: the hatched part is the band that needs attention, the filled part the value.
 * @type {(value: number | null | undefined, full: number, band: Band, label?: string) => React.ReactElement} */
export function track(value, full, [low, high], label) {
  /** @type {(part: number) => number} */
  const percent = (part) => Math.max(0, Math.min(100, (100 * part) / full));
  return h(
    "span",
    { className: "bl-bar-track", ...(label ? { role: "img", "aria-label": label } : { "aria-hidden": true }) },
    h("span", { className: "bl-bar-band", style: { left: percent(low) + "%", width: percent(high) - percent(low) + "%" } }),
    known(value) ? h("span", { className: "bl-bar-fill", style: { width: percent(value) + "%" } }) : null,
  );
}

/** @type {Set<() => void>} */
const seconds = new Set();
setInterval(() => seconds.forEach((tick) => tick()), 1000);

/** @param {AgeProps} props */
export function Age({ id, crane, at, stale_after_ms, words }) {
  const [, again] = useState(0);
  useEffect(() => {
    const tick = () => again((count) => count + 1);
    seconds.add(tick);
    return () => void seconds.delete(tick);
  }, []);
  const row = useLive(crane);
  const latest = row?.at && (!at || row.at > at) ? row.at : at;
  if (!latest) return h("span", { id, className: "bl-age bl-age-stale" }, words.never);
  const age = Date.now() - Date.parse(latest);
  const stale = age > stale_after_ms;
  const text = ageText(age, words) + (stale ? ", " + words.stale : "");
  return h("time", { id, className: stale ? "bl-age bl-age-stale" : "bl-age", dateTime: latest }, text);
}

/** @param {LiveValueProps} props */
export function LiveValue({ id, crane, channel, value, factor, decimals, unit, missing }) {
  const live = useLive(crane)?.values[channel];
  const shown = known(live) ? live : value;
  const text = known(shown) ? number(shown * (factor || 1), decimals || 0) + (unit || "") : missing;
  return h("span", { id, className: "bl-live-value" }, text);
}

/** The newest utilisation [%] and its state: of the live feed, else as the page came.
 * @type {(crane: string | undefined, value: number | null | undefined, state: State) => [number | null | undefined, State]} */
export function useUtilisation(crane, value, state) {
  const row = useLive(crane);
  return row && known(row.values.utilisation_pct) ? [row.values.utilisation_pct, row.state] : [value, state];
}

/** @param {LiveMarkProps} props */
export function LiveMark({ id, crane, state, words }) {
  const [, now] = useUtilisation(crane, null, state);
  return mark(now, words[now], id);
}

/** Utilisation against its band, kept current.
 * @param {LiveBarProps} props */
export function LiveBar({ id, crane, value, state, full, band, label }) {
  const [shown, now] = useUtilisation(crane, value, state);
  return h("span", { id, className: "bl-bar bl-live-bar bl-" + now }, track(shown, full, band, label));
}

/** One of a few words: buttons of the browser, so that keys and screen readers know them.
 * @param {ChoiceProps} props */
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
