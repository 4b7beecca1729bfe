/* Plays a recorded span: one clock moves the pictures, the cursor on the trace and the scrubber. The whole span came with the
   page, so nothing is asked of the server while it plays. */
import { state as stateOf } from "./components.mjs";
import { SideView, TopView } from "./drawings.mjs";

const { React } = window;
const h = React.createElement;
const { useCallback, useEffect, useLayoutEffect, useMemo, useRef, useState } = React;
const DRAW_EVERY_MS = 30;
const LONGEST_TURN_MS = 250; /* after a pause of the browser the clock goes on from where it was */
const SKIP_MS = 15000; /* a longer gap in the record is not waited through */
const EVENT_STAYS_MS = 5000;
const LEFT = 52;
const TRACE_HEIGHT = 190;
const SPEEDS = [0.5, 1, 4, 10, 30, 120];
const MOVING = ["x0", "y0", "x1", "y1", "x2", "y2", "x3", "y3", "extension_m", "jib_extension_m", "slew_deg"];
const STEPPED = ["utilisation_pct", "outreach_m", "left_m", "right_m", "rated_kg", "curve"];
const SHAPES = {
  warning: "M0,-6 L6,5 L-6,5 Z",
  limiter_stop: "M0,6 L6,-5 L-6,-5 Z",
  limiter_override: "M0,-7 L6,0 L0,7 L-6,0 Z",
  fault: "M-5,-3 L-3,-5 L0,-2 L3,-5 L5,-3 L2,0 L5,3 L3,5 L0,2 L-3,5 L-5,3 L-2,0 Z",
  mode_change: "M-1,-6 L1,-6 L1,6 L-1,6 Z",
  service: "M-5,0 A5,5 0 1 0 5,0 A5,5 0 1 0 -5,0 Z",
};

/* Place of the newest time that is not after `at`; -1 before the first. */
export function placeOf(times, at) {
  let low = 0;
  let high = times.length;
  while (low < high) {
    const middle = (low + high) >> 1;
    if (times[middle] <= at) low = middle + 1;
    else high = middle;
  }
  return low - 1;
}

/* The readings at a time: what moves is drawn between two samples, what is measured in steps is not. */
export function readingsAt(frames, at, gapMs) {
  const times = frames.at_ms;
  const place = Math.max(0, placeOf(times, at));
  const next = place + 1;
  const gap = at - times[place] > gapMs;
  const near = next < times.length && times[next] - times[place] <= gapMs;
  const part = near ? Math.min(1, Math.max(0, (at - times[place]) / (times[next] - times[place]))) : 0;
  const values = {};
  for (const name of MOVING) {
    const a = frames[name] && frames[name][place];
    if (typeof a !== "number") continue;
    const b = near ? frames[name][next] : null;
    values[name] = typeof b === "number" ? a + (b - a) * part : a;
  }
  for (const name of STEPPED) {
    const value = frames[name] && frames[name][place];
    if (typeof value === "number") values[name] = value;
  }
  return { values, gap };
}

/* The recorded clock after some wall time; a gap in the record is jumped. */
export function advanced(times, at, wall, speed, gapMs) {
  const to = at + wall * speed;
  const place = placeOf(times, to);
  const next = times[place + 1];
  if (place >= 0 && next !== undefined && next - times[place] > SKIP_MS && to - times[place] > gapMs) return next;
  return Math.min(to, times[times.length - 1]);
}

const clock = (zone) => {
  const format = new Intl.DateTimeFormat("en-GB", { day: "2-digit", month: "short", year: "numeric", hour: "2-digit", minute: "2-digit", second: "2-digit", timeZone: zone, hourCycle: "h23" });
  return (at) => format.format(at);
};

/* ---- the trace: drawn once, the cursor moves over it ---- */
function tracePath(frames, x, y, gapMs) {
  const times = frames.at_ms;
  const values = frames.utilisation_pct;
  const parts = [];
  let column = null;
  let last = -Infinity;
  const flush = () => {
    if (column === null) return;
    parts.push(`${column.start ? "M" : "L"}${column.x},${y(column.first).toFixed(1)}`);
    if (column.low !== column.high) parts.push(`L${column.x},${y(column.low).toFixed(1)}L${column.x},${y(column.high).toFixed(1)}L${column.x},${y(column.last).toFixed(1)}`);
    column = null;
  };
  for (let place = 0; place < times.length; place += 1) {
    const value = values[place];
    if (typeof value !== "number") continue;
    const broken = times[place] - last > gapMs;
    const at = Math.round(x(times[place]) * 2) / 2;
    if (broken || column === null || column.x !== at) {
      flush();
      column = { x: at, start: broken, first: value, low: value, high: value, last: value };
    } else {
      column.low = Math.min(column.low, value);
      column.high = Math.max(column.high, value);
      column.last = value;
    }
    last = times[place];
  }
  flush();
  return parts.join("");
}

const Trace = React.memo(function Trace(props) {
  const { frames, events, width, first, last, words, seek, shown, watch_from, act_from, gap_ms, ticks_ms } = props;
  const highest = frames.utilisation_pct.reduce((most, value) => (typeof value === "number" && value > most ? value : most), 0);
  const top = Math.max(1.15 * act_from, highest + 12);
  const x = (at) => LEFT + ((at - first) / (last - first)) * (width - LEFT - 8);
  const y = (value) => 24 + (1 - Math.max(0, value) / top) * (TRACE_HEIGHT - 48);
  const path = useMemo(() => tracePath(frames, x, y, gap_ms), [frames, width]);
  const line = (value, name, text) => [
    h("line", { key: "l" + value, className: name, x1: LEFT, x2: width - 8, y1: y(value), y2: y(value) }),
    h("text", { key: "t" + value, className: "bl-axis-text", x: LEFT - 6, y: y(value) + 4, textAnchor: "end" }, text),
  ];
  const children = [
    h("rect", { key: "band", className: "bl-replay-band", x: LEFT, width: Math.max(0, width - LEFT - 8), y: y(act_from), height: y(watch_from) - y(act_from) }),
    ...line(0, "bl-ground", "0"),
    ...line(act_from / 2, "bl-ring", String(act_from / 2)),
    ...line(watch_from, "bl-replay-near", ""),
    ...line(act_from, "bl-replay-limit", `${act_from} %`),
    h("path", { key: "path", className: "bl-replay-line", d: path }),
  ];
  const step = ticks_ms.find((each) => (each / (last - first)) * width > 70) || ticks_ms[ticks_ms.length - 1];
  for (let at = Math.ceil(first / step) * step; at <= last; at += step) {
    children.push(h("line", { key: "k" + at, className: "bl-tick", x1: x(at), x2: x(at), y1: TRACE_HEIGHT - 24, y2: TRACE_HEIGHT - 19 }));
    children.push(h("text", { key: "m" + at, className: "bl-axis-text", x: x(at), y: TRACE_HEIGHT - 5, textAnchor: x(at) > width - 24 ? "end" : "middle" }, shown(at).slice(-8, -3)));
  }
  events.forEach((event, place) => {
    children.push(
      h(
        "g",
        { key: "e" + place, className: `bl-replay-event bl-${event.mark}`, "data-kind": event.kind, transform: `translate(${x(event.at_ms).toFixed(1)},12)`, onClick: (click) => { click.stopPropagation(); seek(event.at_ms); } },
        [
          h("title", { key: "t" }, `${shown(event.at_ms)} ${event.text}`),
          h("line", { key: "l", x1: 0, x2: 0, y1: 8, y2: TRACE_HEIGHT - 36 }),
          h("path", { key: "p", d: SHAPES[event.kind] || SHAPES.service }),
        ],
      ),
    );
  });
  const point = (click) => {
    const box = click.currentTarget.getBoundingClientRect();
    seek(first + ((click.clientX - box.left - LEFT) / (width - LEFT - 8)) * (last - first));
  };
  return h("svg", { className: "bl-replay-trace", role: "img", "aria-label": words.trace, width, height: TRACE_HEIGHT, onClick: point }, children);
});

function Legend({ events, words }) {
  const kinds = Object.keys(SHAPES).filter((kind) => events.some((event) => event.kind === kind));
  return h(
    "ul",
    { className: "bl-replay-legend" },
    kinds.map((kind) =>
      h("li", { key: kind, className: `bl-replay-event bl-${events.find((event) => event.kind === kind).mark}` }, [
        h("svg", { key: "s", width: 16, height: 16, "aria-hidden": true }, h("path", { d: SHAPES[kind], transform: "translate(8,8)" })),
        h("span", { key: "t" }, `${words.kinds[kind]} (${events.filter((event) => event.kind === kind).length})`),
      ]),
    ),
  );
}

/* ---- the player ---- */
export function Player(props) {
  const { frames, words } = props;
  const times = frames.at_ms;
  const first = times[0];
  const last = Math.max(times[times.length - 1], first + 1000);
  const box = useRef(null);
  const [width, setWidth] = useState(0);
  const [at, setAt] = useState(() => Math.min(last, Math.max(first, props.start_ms || first)));
  const [playing, setPlaying] = useState(false);
  const [speed, setSpeed] = useState(4);
  const now = useRef(at);
  const shown = useMemo(() => clock(props.zone), [props.zone]);
  const marked = useMemo(() => props.events.filter((event) => event.stop), [props.events]);

  useLayoutEffect(() => {
    setWidth(box.current.clientWidth);
    const watcher = new ResizeObserver(() => box.current && setWidth(box.current.clientWidth));
    watcher.observe(box.current);
    return () => watcher.disconnect();
  }, []);

  const address = (moment) => {
    const query = new URLSearchParams(window.location.search);
    query.set("from", props.time_from);
    query.set("to", props.time_to);
    query.set("at", new Date(moment).toISOString().slice(0, 19) + "Z");
    return `${window.location.pathname}?${query}`;
  };
  /* The address follows without a new visit: a reload or a copied link opens at this second. */
  const remember = (moment) => window.history.replaceState(window.history.state, "", address(moment));

  const seek = useCallback(
    (moment) => {
      now.current = Math.min(last, Math.max(first, moment));
      setAt(now.current);
      remember(now.current);
    },
    [first, last, props.time_from, props.time_to],
  );

  useEffect(() => {
    if (!playing) return undefined;
    let frame = 0;
    let before = null;
    let drawn = 0;
    const turn = (wall) => {
      if (before === null) before = wall;
      if (wall - drawn >= DRAW_EVERY_MS) {
        now.current = advanced(times, now.current, Math.min(wall - before, LONGEST_TURN_MS), speed, props.gap_ms);
        before = wall;
        drawn = wall;
        box.current.dataset.draws = String(Number(box.current.dataset.draws || 0) + 1);
        setAt(now.current);
        if (now.current >= times[times.length - 1]) {
          setPlaying(false);
          remember(now.current);
          return;
        }
      }
      frame = requestAnimationFrame(turn);
    };
    frame = requestAnimationFrame(turn);
    return () => cancelAnimationFrame(frame);
  }, [playing, speed, frames]);

  const toggle = () => {
    if (playing) remember(now.current);
    else if (now.current >= times[times.length - 1]) seek(first);
    setPlaying(!playing);
  };
  const onward = marked.find((event) => event.at_ms > at + 500);
  const back = [...marked].reverse().find((event) => event.at_ms < at - 500);
  const { values, gap } = readingsAt(frames, at, props.gap_ms);
  const utilisation = gap ? null : values.utilisation_pct;
  const state = typeof utilisation === "number" ? stateOf(utilisation, props.watch_from, props.act_from) : "ok";
  const lift = (props.lifts || []).find((each) => each.start_ms <= at && at < each.end_ms);
  const recent = [...props.events].reverse().find((event) => event.at_ms <= at && at - event.at_ms < EVENT_STAYS_MS);
  const chart = gap ? null : props.curves[values.curve];
  const shared = { units: props.units, state, direct: true };
  const button = (id, text, press, off, quiet) =>
    h("button", { id, key: id, type: "button", className: quiet ? "bl-button bl-button-quiet" : "bl-button", onClick: press, disabled: off }, text);
  const cursor = LEFT + ((at - first) / (last - first)) * (width - LEFT - 8);

  return h("div", { id: props.id, ref: box, className: "bl-replay", "data-playing": playing ? "yes" : "no", "data-at": String(Math.round(at)) }, [
    h("div", { key: "views", className: "bl-replay-views" }, [
      h(SideView, { key: "side", id: `${props.id}-side`, geometry: props.geometry, position: gap ? null : values, utilisation_pct: utilisation, reach: props.reach, chart, load_kg: lift ? lift.mass_kg : null, label: words.side, words, tallest: 340, ...shared }),
      h(TopView, { key: "top", id: `${props.id}-top`, position: values, carrier: props.carrier, reach_m: props.reach_m, label: words.top, words, ...shared }),
    ]),
    h("div", { key: "controls", className: "bl-player" }, [
      button(`${props.id}-play`, playing ? words.hold : words.play, toggle, false),
      button(`${props.id}-back`, words.event_before, () => back && seek(back.at_ms), !back, true),
      button(`${props.id}-onward`, words.event_next, () => onward && seek(onward.at_ms), !onward, true),
      h("fieldset", { key: "speeds", className: "bl-replay-speeds" }, [
        h("legend", { key: "l" }, words.speed),
        ...SPEEDS.map((each) => h("button", { key: each, type: "button", "aria-pressed": each === speed, onClick: () => setSpeed(each) }, `${each}×`)),
      ]),
      h("a", { key: "link", id: `${props.id}-link`, className: "bl-link", href: address(at) }, words.link),
    ]),
    h("div", { key: "now", className: "bl-replay-now" }, [
      h("output", { key: "time", id: `${props.id}-time`, className: "bl-replay-time" }, `${shown(at)} ${props.zone}`),
      h("span", { key: "event", id: `${props.id}-event`, className: recent ? `bl-replay-event bl-${recent.mark}` : "" }, gap ? words.gap : recent ? recent.text : ""),
    ]),
    h("div", { key: "trace", className: "bl-replay-over" }, [
      width > 0 && h(Trace, { key: "t", frames, events: props.events, width, first, last, words, seek, shown, watch_from: props.watch_from, act_from: props.act_from, gap_ms: props.gap_ms, ticks_ms: props.ticks_ms }),
      width > 0 && h("div", { key: "c", className: "bl-replay-cursor", style: { transform: `translateX(${cursor.toFixed(1)}px)` } }),
    ]),
    h("input", { key: "place", id: `${props.id}-place`, className: "bl-replay-place", type: "range", min: first, max: last, step: 1000, value: Math.round(at), "aria-label": words.place, "aria-valuetext": shown(at), onChange: (change) => seek(Number(change.target.value)) }),
    h(Legend, { key: "legend", events: props.events, words }),
  ]);
}
