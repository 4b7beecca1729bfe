/* The drawings in pixels: from metres that were sent to points and paths. No position or capacity is worked out here. */

/** @type {(point: Point) => string} */
const written = (point) => point.map((value) => value.toFixed(1)).join(",");
/** @type {(points: Point[], by?: string) => string} */
export const joined = (points, by = " ") => points.map(written).join(by);

/** The joints as they were sent [m]: pivot, knuckle joint, tip, and with a fly jib its tip; null where they are not known.
 * @type {(position: Position | null | undefined) => Joints | null} */
export function joints(position) {
  if (!position || typeof position.x2 !== "number") return null;
  const { x0, y0, x1, y1, x2, y2, x3, y3 } = position;
  const withJib = typeof x3 === "number";
  return { column: [x0, y0], elbow: [x1, y1], tip: [x2, y2], hook: withJib ? [x3, y3] : [x2, y2], withJib };
}

/** The outline of a straight member, half as thick as said at either end [px].
 * @type {(place: Place, from: Point, to: Point, thick: number, thin: number) => string} */
export function member(place, from, to, thick, thin) {
  const [ax, ay] = place(from);
  const [bx, by] = place(to);
  const length = Math.hypot(bx - ax, by - ay) || 1;
  const nx = -(by - ay) / length;
  const ny = (bx - ax) / length;
  return joined([
    [ax + nx * thick, ay + ny * thick],
    [bx + nx * thin, by + ny * thin],
    [bx - nx * thin, by - ny * thin],
    [ax - nx * thick, ay - ny * thick],
  ]);
}

/** @type {(from: Point, to: Point, part: number) => Point} */
export const between = (from, to, part) => [from[0] + (to[0] - from[0]) * part, from[1] + (to[1] - from[1]) * part];

/** The parts of a telescope that are to be seen, as shares of its length: each extension as far as it is out, then the base.
 * @type {(base: number, strokes: number[], out: number) => { from: number, to: number, extension: number | null }[]} */
export function sections(base, strokes, out) {
  const total = base + out;
  const seen = [];
  let left = out;
  let reached = base;
  for (const [extension, stroke] of strokes.entries()) {
    const length = Math.min(stroke, Math.max(0, left));
    left -= length;
    if (length > 0.005) seen.push({ from: reached / total, to: (reached + length) / total, extension });
    reached += length;
  }
  return [...seen, { from: 0, to: base / total, extension: null }];
}

/** Marks of an axis from 0 on.
 * @type {(limit: number, step: number) => number[]} */
export const ticks = (limit, step) => Array.from({ length: Math.floor(limit / step + 1e-9) + 1 }, (_, index) => Math.round(index * step * 100) / 100);

/** The smallest round step of an axis whose marks stand at least `smallest` apart [px].
 * @type {(span: number, room: number, smallest: number) => number} */
export function niceStep(span, room, smallest) {
  const raw = (span * smallest) / Math.max(room, 1);
  return [0.5, 1, 2, 5, 10, 20, 50].find((step) => step >= raw) ?? 100;
}

/** What the side view shows [m]: the reach, a point that is asked for, and the carrier.
 * @type {(props: Pick<SideViewProps, "geometry" | "reach" | "target">) => Area} */
export function bounds({ geometry, reach = [], target }) {
  const right = [2, ...reach.map(([x]) => x), target ? target.outreach_m : 0];
  const top = [geometry.pivot_height_m + 1, ...reach.map(([, y]) => y), target ? target.hook_height_m : 0];
  const bottom = [-0.6, ...reach.map(([, y]) => Math.max(y, -3))];
  return { left: -4.2, right: Math.max(...right) + 0.8, top: Math.max(...top) + 0.6, bottom: Math.min(...bottom) - 0.3 };
}

/** The scale of a scene [px/m] and where its points stand, in the middle of a width [px] and no taller than said.
 * @type {(area: Area, width: number, tallest: number) => { scale: number, place: Place }} */
export function fitted(area, width, tallest) {
  const across = area.right - area.left;
  const scale = Math.min((width - 16) / across, tallest / (area.top - area.bottom));
  const offset = Math.max(8, (width - scale * across) / 2);
  return { scale, place: ([x, y]) => [offset + (x - area.left) * scale, (area.top - y) * scale] };
}
