/* The clock of a replay and its trace in pixels, over lists that were sent. What is measured in steps is never read off in between. */
import { known } from "./live.mjs";

const SKIP_MS = 15000; /* a longer gap in the record is not waited through */
const MOVING = ["x0", "y0", "x1", "y1", "x2", "y2", "x3", "y3", "extension_m", "jib_extension_m", "slew_deg"];
const STEPPED = ["utilisation_pct", "state", "outreach_m", "left_m", "right_m", "rated_kg", "curve"];

/** Place of the newest time that is not after `at`; -1 before the first.
 * @type {(times: number[], at: number) => number} */
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

/** The readings at a time: what moves is drawn between two samples, what is measured in steps is not.
 * @type {(frames: Frames, at: number, gapMs: number) => { values: Position, gap: boolean }} */
export function readingsAt(frames, at, gapMs) {
  const times = frames.at_ms;
  const place = Math.max(0, placeOf(times, at));
  const next = place + 1;
  const near = next < times.length && times[next] - times[place] <= gapMs;
  const part = near ? Math.min(1, Math.max(0, (at - times[place]) / (times[next] - times[place]))) : 0;
  /** @type {Position} */
  const values = {};
  for (const name of [...MOVING, ...STEPPED]) {
    const a = frames[name]?.[place];
    if (!known(a)) continue;
    const b = near && MOVING.includes(name) ? frames[name][next] : null;
    values[name] = known(b) ? a + (b - a) * part : a;
  }
  return { values, gap: at - times[place] > gapMs };
}

/** The recorded clock after some wall time; a gap in the record is jumped.
 * @type {(times: number[], at: number, wall: number, speed: number, gapMs: number) => number} */
export function advanced(times, at, wall, speed, gapMs) {
  const to = at + wall * speed;
  const place = placeOf(times, to);
  const next = times[place + 1];
  if (place >= 0 && next !== undefined && next - times[place] > SKIP_MS && to - times[place] > gapMs) return next;
  return Math.min(to, times[times.length - 1]);
}

/** The line of the trace: in each half pixel from the first value over the lowest and the highest to the last, broken at gaps.
 * @type {(frames: Frames, x: (at: number) => number, y: (value: number) => number, gapMs: number) => string} */
export function tracePath({ at_ms: times, utilisation_pct: values }, x, y, gapMs) {
  /** @type {{ x: number, broken: boolean, first: number, low: number, high: number, last: number }[]} */
  const columns = [];
  let before = -Infinity;
  values.forEach((value, place) => {
    if (!known(value)) return;
    const at = Math.round(x(times[place]) * 2) / 2;
    const broken = times[place] - before > gapMs;
    const column = columns[columns.length - 1];
    if (!column || broken || column.x !== at) columns.push({ x: at, broken, first: value, low: value, high: value, last: value });
    else Object.assign(column, { low: Math.min(column.low, value), high: Math.max(column.high, value), last: value });
    before = times[place];
  });
  return columns
    .flatMap((one) => [one.first, ...(one.low === one.high ? [] : [one.low, one.high, one.last])].map((value, index) => `${one.broken && !index ? "M" : "L"}${one.x},${y(value).toFixed(1)}`))
    .join("");
}
