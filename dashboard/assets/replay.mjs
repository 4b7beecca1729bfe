/* Plays a recorded span: one clock moves the pictures, the cursor on the trace and the scrubber. The whole span came with the
   page, so nothing is asked of the server while it plays. */
import { SideView, TopView, useWidth } from "./drawings.mjs";
import { known } from "./live.mjs";
import { advanced, readingsAt, tracePath } from "./timeline.mjs";

const { createElement: h, useCallback, useEffect, useMemo, useRef, useState } = React;
const DRAW_EVERY_MS = 30;
const LONGEST_TURN_MS = 250; /* after a pause of the browser the clock goes on from where it was */
const SETTLED_MS = 500;
const EVENT_STAYS_MS = 5000;
const PASSED_MS = 500; /* events this near are passed together */
const LEFT = 52;
const RIGHT = 8;
const TRACE_HEIGHT = 190;
const SPEEDS = [0.5, 1, 4, 10, 30, 120];
/** @type {Record<string, string>} */
const SHAPES = {
  warning: "M0,-6 L6,5 L-6,5 Z",
  limiter_stop: "M0,6 L6,-5 L-6,-5 Z",
  limiter_override: "M0,-7 L6,0 L0,7 L-6,0 Z",
  fault: "M-5,-3 L-3,-5 L0,-2 L3,-5 L5,-3 L2,0 L5,3 L3,5 L0,2 L-3,5 L-5,3 L-2,0 Z",
  mode_change: "M-1,-6 L1,-6 L1,6 L-1,6 Z",
  service: "M-5,0 A5,5 0 1 0 5,0 A5,5 0 1 0 -5,0 Z",
};

/** @type {(zone: string) => (at: number) => string} */
function clock(zone) {
  const format = new Intl.DateTimeFormat("en-GB", { day: "2-digit", month: "short", year: "numeric", hour: "2-digit", minute: "2-digit", second: "2-digit", timeZone: zone, hourCycle: "h23" });
  return (at) => format.format(at);
}

/** Where a moment stands on the trace [px].
 * @type {(span: { first: number, last: number, width: number }) => (at: number) => number} */
const across = ({ first, last, width }) => (at) => LEFT + ((at - first) / (last - first)) * (width - LEFT - RIGHT);

/** The trace with its events: drawn once, the cursor moves over it. */
export const Trace = React.memo((/** @type {TraceProps} */ props) => {
  const { frames, events, width, first, last, words, seek, shown, band, gap_ms, ticks_ms } = props;
  const [watch, act] = band;
  const top = Math.max(1.15 * act, 12 + frames.utilisation_pct.reduce((/** @type {number} */ most, value) => Math.max(most, value ?? 0), 0));
  const x = across(props);
  const y = (/** @type {number} */ value) => 24 + (1 - Math.max(0, value) / top) * (TRACE_HEIGHT - 48);
  const path = useMemo(() => tracePath(frames, x, y, gap_ms), [frames, width]);
  /** @type {(value: number, className: string, text: string) => React.ReactElement[]} */
  const line = (value, className, text) => [
    h("line", { className, x1: LEFT, x2: width - RIGHT, y1: y(value), y2: y(value) }),
    h("text", { className: "bl-axis-text", x: LEFT - 6, y: y(value) + 4, textAnchor: "end" }, text),
  ];
  const step = ticks_ms.find((each) => (each / (last - first)) * width > 70) ?? ticks_ms[ticks_ms.length - 1];
  const begin = Math.ceil(first / step) * step;
  const marks = Array.from({ length: Math.max(0, Math.floor((last - begin) / step) + 1) }, (_, index) => begin + index * step);
  const point = (/** @type {React.MouseEvent} */ click) =>
    seek(first + ((click.clientX - click.currentTarget.getBoundingClientRect().left - LEFT) / (width - LEFT - RIGHT)) * (last - first));
  return h(
    "svg",
    { className: "bl-replay-trace", role: "img", "aria-label": words.trace, width, height: TRACE_HEIGHT, onClick: point },
    h("rect", { className: "bl-replay-band", x: LEFT, width: Math.max(0, width - LEFT - RIGHT), y: y(act), height: y(watch) - y(act) }),
    ...line(0, "bl-ground", "0"),
    ...line(act / 2, "bl-ring", String(act / 2)),
    ...line(watch, "bl-replay-near", ""),
    ...line(act, "bl-replay-limit", `${act} %`),
    h("path", { className: "bl-replay-line", d: path }),
    ...marks.flatMap((at) => [
      h("line", { className: "bl-tick", x1: x(at), x2: x(at), y1: TRACE_HEIGHT - 24, y2: TRACE_HEIGHT - 19 }),
      h("text", { className: "bl-axis-text", x: x(at), y: TRACE_HEIGHT - 5, textAnchor: x(at) > width - 24 ? "end" : "middle" }, shown(at).slice(-8, -3)),
    ]),
    ...events.map(({ at_ms, kind, mark, text }) => {
      const onClick = (/** @type {React.MouseEvent} */ click) => {
        click.stopPropagation();
        seek(at_ms);
      };
      return h(
        "g",
        { className: `bl-replay-event bl-${mark}`, "data-kind": kind, transform: `translate(${x(at_ms).toFixed(1)},12)`, onClick },
        h("title", null, `${shown(at_ms)} ${text}`),
        h("line", { x1: 0, x2: 0, y1: 8, y2: TRACE_HEIGHT - 36 }),
        h("path", { d: SHAPES[kind] || SHAPES.service }),
      );
    }),
  );
});

/** @param {Pick<PlayerProps, "events" | "words">} props */
function Legend({ events, words }) {
  const items = Object.entries(SHAPES).flatMap(([kind, d]) => {
    const found = events.filter((event) => event.kind === kind);
    if (!found.length) return [];
    const sign = h("svg", { width: 16, height: 16, "aria-hidden": true }, h("path", { d, transform: "translate(8,8)" }));
    return [h("li", { key: kind, className: `bl-replay-event bl-${found[0].mark}` }, sign, h("span", null, `${words.kinds[kind]} (${found.length})`))];
  });
  return h("ul", { className: "bl-replay-legend" }, items);
}

/** Moves the clock while it plays, by `turn` with the wall time since the last one [ms], which says whether to go on.
 * @type {(playing: boolean, turn: (wall: number) => boolean, inputs: unknown[]) => void} */
function useClock(playing, turn, inputs) {
  useEffect(() => {
    if (!playing) return undefined;
    let before = performance.now();
    let frame = requestAnimationFrame(function tick(now) {
      const due = now - before >= DRAW_EVERY_MS;
      if (due && !turn(Math.min(now - before, LONGEST_TURN_MS))) return;
      if (due) before = now;
      frame = requestAnimationFrame(tick);
    });
    return () => cancelAnimationFrame(frame);
  }, [playing, ...inputs]);
}

/** @param {PlayerProps} props */
export function Player(props) {
  const { id, frames, events, words, band, gap_ms, ticks_ms } = props;
  const times = frames.at_ms;
  const first = times[0];
  const end = times[times.length - 1];
  const last = Math.max(end, first + 1000);
  const [box, width] = useWidth();
  const draws = useRef(0);
  const [at, setAt] = useState(() => Math.min(last, Math.max(first, props.start_ms || first)));
  const [playing, setPlaying] = useState(false);
  const [speed, setSpeed] = useState(4);
  const now = useRef(at);
  const visited = useMemo(() => window.location.pathname + window.location.search, []);
  const shown = useMemo(() => clock(props.zone), [props.zone]);
  const stops = useMemo(() => events.filter((event) => event.stop), [events]);

  /* The address follows without a new visit: a reload or a copied link opens at this second. */
  const address = (/** @type {number} */ moment) => {
    const query = new URLSearchParams(window.location.search);
    query.set("from", props.time_from);
    query.set("to", props.time_to);
    query.set("at", new Date(moment).toISOString().slice(0, 19) + "Z");
    return `${window.location.pathname}?${query}`;
  };
  const remember = (/** @type {number} */ moment) => {
    const write = () => window.history.replaceState(window.history.state, "", address(moment));
    write();
    /* Dash puts the address of the visit back when it comes to that after us: so it is looked at once more. */
    window.setTimeout(() => {
      if (now.current === moment && window.location.pathname + window.location.search === visited) write();
    }, SETTLED_MS);
  };
  const seek = useCallback(
    (/** @type {number} */ moment) => {
      now.current = Math.min(last, Math.max(first, moment));
      setAt(now.current);
      remember(now.current);
    },
    [first, last, props.time_from, props.time_to],
  );
  const turn = (/** @type {number} */ wall) => {
    now.current = advanced(times, now.current, wall, speed, gap_ms);
    draws.current += 1;
    setAt(now.current);
    if (now.current < end) return true;
    setPlaying(false);
    remember(now.current);
    return false;
  };
  useClock(playing, turn, [speed, frames]);
  const toggle = () => {
    if (playing) remember(now.current);
    else if (now.current >= end) seek(first);
    setPlaying(!playing);
  };

  const onward = stops.find((event) => event.at_ms > at + PASSED_MS);
  const back = stops.findLast((event) => event.at_ms < at - PASSED_MS);
  const recent = events.findLast((event) => event.at_ms <= at && at - event.at_ms < EVENT_STAYS_MS);
  const lift = props.lifts.find((each) => each.start_ms <= at && at < each.end_ms);
  const { values, gap } = readingsAt(frames, at, gap_ms);
  /** @type {State} */
  const state = gap || !known(values.state) ? "stale" : props.states[values.state];
  const shared = { units: props.units, state, direct: true, words };
  /** @type {(name: string, text: string, press: () => void, off?: boolean) => React.ReactElement} */
  const button = (name, text, press, off = false) =>
    h("button", { id: `${id}-${name}`, type: "button", className: name === "play" ? "bl-button" : "bl-button bl-button-quiet", onClick: press, disabled: off }, text);

  return h(
    "div",
    { id, ref: box, className: "bl-replay", "data-playing": playing ? "yes" : "no", "data-at": String(Math.round(at)), "data-draws": draws.current },
    h(
      "div",
      { className: "bl-replay-views" },
      h(SideView, { ...shared, id: `${id}-side`, geometry: props.geometry, position: gap ? null : values, utilisation_pct: gap ? null : values.utilisation_pct, reach: props.reach, chart: gap ? null : props.curves[values.curve], load_kg: lift?.mass_kg, label: words.side, tallest: 340 }),
      h(TopView, { ...shared, id: `${id}-top`, position: values, carrier: props.carrier, reach_m: props.reach_m, label: words.top }),
    ),
    h(
      "div",
      { className: "bl-player" },
      button("play", playing ? words.hold : words.play, toggle),
      button("back", words.event_before, () => back && seek(back.at_ms), !back),
      button("onward", words.event_next, () => onward && seek(onward.at_ms), !onward),
      h(
        "fieldset",
        { className: "bl-replay-speeds" },
        h("legend", null, words.speed),
        ...SPEEDS.map((each) => h("button", { type: "button", "aria-pressed": each === speed, onClick: () => setSpeed(each) }, `${each}×`)),
      ),
      h("a", { id: `${id}-link`, className: "bl-link", href: address(at) }, words.link),
    ),
    h(
      "div",
      { className: "bl-replay-now" },
      h("output", { id: `${id}-time`, className: "bl-replay-time" }, `${shown(at)} ${props.zone}`),
      h("span", { id: `${id}-event`, className: recent ? `bl-replay-event bl-${recent.mark}` : "" }, gap ? words.gap : recent?.text),
    ),
    h(
      "div",
      { className: "bl-replay-over" },
      width > 0 && h(Trace, { frames, events, width, first, last, words, seek, shown, band, gap_ms, ticks_ms }),
      width > 0 && h("div", { className: "bl-replay-cursor", style: { transform: `translateX(${across({ first, last, width })(at).toFixed(1)}px)` } }),
    ),
    h("input", { id: `${id}-place`, className: "bl-replay-place", type: "range", min: first, max: last, step: 1000, value: Math.round(at), "aria-label": words.place, "aria-valuetext": shown(at), onChange: (/** @type {React.ChangeEvent<HTMLInputElement>} */ change) => seek(Number(change.target.value)) }),
    h(Legend, { events, words }),
  );
}
