/* The boom drawn: side view in its pose with the rated capacity under it, and the view from above. */
import { formats, number } from "./figures.mjs";
import { between, bounds, fitted, joined, joints, member, niceStep, sections, ticks } from "./geometry.mjs";
import { known, useLive, useUtilisation } from "./live.mjs";

const { createElement: h, useEffect, useLayoutEffect, useRef, useState } = React;
const EASED_MS = 350;
const STRIP_PX = 96;

/** The width of an element, kept current.
 * @type {() => [React.RefObject<HTMLDivElement>, number]} */
export function useWidth() {
  const ref = useRef(/** @type {HTMLDivElement | null} */ (null));
  const [width, setWidth] = useState(0);
  useLayoutEffect(() => {
    const element = ref.current;
    if (!element) return undefined;
    setWidth(element.clientWidth);
    const watcher = new ResizeObserver(() => setWidth(element.clientWidth));
    watcher.observe(element);
    return () => watcher.disconnect();
  }, []);
  return [ref, width];
}

/** A position on its way to another.
 * @type {(from: Position, to: Position, part: number) => Position} */
export function eased(from, to, part) {
  const share = part * (2 - part);
  return Object.fromEntries(Object.entries(to).map(([name, b]) => [name, known(from[name]) ? from[name] + (b - from[name]) * share : b]));
}

/** Moves a position towards its target over a third of a second; at once where motion is not wanted, or where somebody else
 * moves it (`direct`).
 * @type {(target: Position, direct?: boolean) => Position} */
function useEased(target, direct) {
  const [shown, setShown] = useState(target);
  const from = useRef(target);
  useEffect(() => {
    const start = from.current;
    const stands = Object.keys(target).every((name) => start[name] === target[name]);
    if (direct || stands || document.hidden || window.matchMedia("(prefers-reduced-motion: reduce)").matches) {
      from.current = target;
      if (!direct) setShown(target);
      return undefined;
    }
    let frame = 0;
    const began = performance.now();
    const step = (/** @type {number} */ now) => {
      const part = Math.min(1, (now - began) / EASED_MS);
      from.current = eased(start, target, part);
      setShown(from.current);
      if (part < 1) frame = requestAnimationFrame(step);
    };
    frame = requestAnimationFrame(step);
    return () => cancelAnimationFrame(frame);
  }, [JSON.stringify(target), direct]);
  return direct ? target : shown;
}

/** @type {(props: { id: string, state?: State, label?: string }, ref: React.Ref<HTMLDivElement>, width: number, height: number, children: React.ReactNode[]) => React.ReactElement} */
const picture = ({ id, state, label }, ref, width, height, children) =>
  h(
    "div",
    { id, ref, className: `bl-drawing bl-${state || "ok"}` },
    h("svg", { role: "img", "aria-label": label || "", width: Math.max(width, 1), height }, ...children),
  );

/* ---- side view ---- */
/** A knuckle boom or jib: the base section, then each extension thinner.
 * @type {(place: Place, from: Point, to: Point, base: number, strokes: number[], out: number, thick: number) => React.ReactElement} */
const telescope = (place, from, to, base, strokes, out, thick) =>
  h(
    "g",
    null,
    ...sections(base, strokes, out).map(({ from: begin, to: end, extension }) => {
      const width = extension === null ? thick : Math.max(1.6, thick * (0.8 - 0.09 * extension));
      const points = member(place, between(from, to, begin), between(from, to, end), width, extension === null ? thick * 0.86 : width);
      return h("polygon", { className: extension === null ? "bl-boom" : "bl-boom bl-boom-extension", points });
    }),
  );

/** The carrier seen from its end, with the stabilisers as far as they are out.
 * @type {(place: Place, scale: number, position: Position) => React.ReactElement} */
function carrierEnd(place, scale, position) {
  /** @type {(x: number, y: number, width: number, height: number, className: string) => React.ReactElement} */
  const box = (x, y, width, height, className) => {
    const [px, py] = place([x, y + height]);
    return h("rect", { className, x: px, y: py, width: width * scale, height: height * scale, rx: 2 });
  };
  /** @type {(side: number, out?: number) => React.ReactElement[]} */
  const leg = (side, out) =>
    known(out)
      ? [
          box(side < 0 ? -out : 0, 0.72, out, 0.16, "bl-leg"),
          box(side * out - 0.09, 0.05, 0.18, 0.75, "bl-leg"),
          box(side * out - 0.3, 0, 0.6, 0.08, "bl-leg"),
        ]
      : [];
  return h(
    "g",
    null,
    ...leg(-1, position.left_m),
    ...leg(1, position.right_m),
    box(-1.2, 0, 0.42, 0.95, "bl-wheel"),
    box(0.78, 0, 0.42, 0.95, "bl-wheel"),
    box(-1.25, 0.95, 2.5, 0.4, "bl-carrier"),
  );
}

/** @type {(place: Place, target: Target) => React.ReactElement} */
function crosshair(place, target) {
  const [x, y] = place([target.outreach_m, target.hook_height_m]);
  return h(
    "g",
    { className: "bl-target" },
    h("circle", { cx: x, cy: y, r: 9 }),
    h("line", { x1: x - 14, x2: x + 14, y1: y, y2: y }),
    h("line", { x1: x, x2: x, y1: y - 14, y2: y + 14 }),
  );
}

/** The boom in its pose, with what hangs on it.
 * @type {(props: SideViewProps, joint: Joints, position: Position, place: Place, scale: number, f: Formats) => React.ReactNode[]} */
function boom({ geometry, load_kg }, joint, position, place, scale, f) {
  const thick = Math.max(3, scale * 0.26);
  const [x, hook] = place(joint.hook);
  const y = hook + scale * 0.55;
  const [, ground] = place([0, 0]);
  const side = Math.max(10, scale * 0.8);
  const pins = [joint.column, joint.elbow, ...(joint.withJib ? [joint.tip] : [])].map(place);
  return [
    h("polygon", { className: "bl-column", points: member(place, [0, 1.3], joint.column, thick * 1.35, thick * 0.95) }),
    telescope(place, joint.elbow, joint.tip, geometry.knuckle_m, geometry.strokes_m, position.extension_m || 0, thick * 0.82),
    joint.withJib && telescope(place, joint.tip, joint.hook, geometry.jib_m, geometry.jib_strokes_m, position.jib_extension_m || 0, thick * 0.5),
    h("polygon", { className: "bl-boom bl-boom-main", points: member(place, joint.column, joint.elbow, thick, thick * 0.92) }),
    ...pins.map(([cx, cy]) => h("circle", { className: "bl-pin", cx, cy, r: Math.max(2, thick * 0.42) })),
    h("line", { className: "bl-rope", x1: x, y1: hook, x2: x, y2: y }),
    h("circle", { className: "bl-hook", cx: x, cy: y + 4, r: 4 }),
    h("line", { className: "bl-plumb", x1: x, y1: y + 8, x2: x, y2: ground }),
    known(load_kg) && h("rect", { className: "bl-load", x: x - side / 2, y: y + 8, width: side, height: side * 0.7, rx: 2 }),
    known(load_kg) && h("text", { className: "bl-callout", x, y: y + 24 + side * 0.7, textAnchor: "middle" }, f.mass(load_kg)),
  ];
}

/** The rated capacity under the drawing, on the same axis of outreach. The corners as they were sent: nothing is read off between them.
 * @type {(props: SideViewProps, chart: Point[], place: Place, area: Area, top: number, position: Position | null, f: Formats) => React.ReactElement} */
function capacityStrip({ lifts = [], words = {} }, chart, place, area, top, position, f) {
  const most = Math.max(...chart.map(([, kg]) => kg), 1);
  const bottom = top + STRIP_PX;
  /** @type {(point: Point) => Point} */
  const at = ([metres, kg]) => [place([metres, 0])[0], bottom - (Math.min(kg, most) / most) * (STRIP_PX - 18)];
  const corners = chart.map(at);
  const line = `M${joined(corners, "L")}`;
  const foot = joined([[corners[corners.length - 1][0], bottom], [corners[0][0], bottom]], "L");
  const [zero, highest] = at([0, most]);
  const here = position && known(position.rated_kg) && known(position.outreach_m) ? at([position.outreach_m, position.rated_kg]) : null;
  const flip = here && here[0] > place([area.right, 0])[0] - 150;
  return h(
    "g",
    null,
    h("path", { className: "bl-rated-area", d: `${line}L${foot}Z` }),
    h("path", { className: "bl-rated-line", d: line }),
    h("text", { className: "bl-axis-text", x: zero - 6, y: highest + 4, textAnchor: "end" }, f.rated(most)),
    h("text", { className: "bl-axis-text", x: zero - 6, y: bottom, textAnchor: "end" }, words.rated),
    ...lifts.map(([metres, kg, near]) => {
      const [cx, cy] = at([metres, kg]);
      return h("circle", { className: near ? "bl-lift-dot bl-lift-near" : "bl-lift-dot", cx, cy, r: 2.6 });
    }),
    ...(here && position
      ? [
          h("line", { className: "bl-plumb", x1: here[0], x2: here[0], y1: top, y2: bottom }),
          h("circle", { className: "bl-rated-dot", cx: here[0], cy: here[1], r: 4.5 }),
          h(
            "text",
            { className: "bl-callout", x: here[0] + (flip ? -9 : 9), y: here[1] - 7, textAnchor: flip ? "end" : "start" },
            `${f.rated(position.rated_kg)} ${words.at} ${f.length(position.outreach_m)}`,
          ),
        ]
      : []),
  );
}

/** @type {(place: Place, area: Area, y: number, f: Formats, name?: string) => React.ReactElement} */
function axis(place, area, y, f, name) {
  const reach = area.right * f.perMetre;
  const [x0] = place([0, 0]);
  const [end] = place([area.right, 0]);
  const step = niceStep(reach, end - x0, 46);
  return h(
    "g",
    null,
    ...ticks(reach, step).flatMap((value) => {
      const [x] = place([value / f.perMetre, 0]);
      return [
        h("line", { className: "bl-tick", x1: x, x2: x, y1: y, y2: y + 4 }),
        h("text", { className: "bl-axis-text", x, y: y + 17, textAnchor: "middle" }, number(value, step < 1 ? 1 : 0)),
      ];
    }),
    h("text", { className: "bl-axis-text", x: end, y: y + 33, textAnchor: "end" }, `${name || ""} [${f.lengthName}]`),
  );
}

/** The whole side view in a width [px], and its height.
 * @type {(props: SideViewProps, position: Position, utilisation: number | null | undefined, width: number) => { children: React.ReactNode[], height: number }} */
export function sideScene(props, position, utilisation, width) {
  const area = bounds(props);
  const { scale, place } = fitted(area, width, props.tallest || 500);
  const f = formats(props.units);
  const joint = joints(position);
  const chart = props.chart && props.chart.length > 1 ? props.chart : null;
  const floor = scale * (area.top - area.bottom);
  const below = floor + (chart ? STRIP_PX + 14 : 0);
  const [left, ground] = place([area.left, 0]);
  const [x, y] = joint ? place(joint.hook) : [0, 0];
  const near = x > width - 120;
  const children = [
    h(
      "g",
      { className: props.position ? "" : "bl-pose-unknown" },
      props.reach?.length ? h("polygon", { className: "bl-reach", points: joined(props.reach.map(place)) }) : null,
      h("line", { className: "bl-ground", x1: left, x2: place([area.right, 0])[0], y1: ground, y2: ground }),
      carrierEnd(place, scale, joint ? position : {}),
      ...(joint ? boom(props, joint, position, place, scale, f) : []),
      props.target && crosshair(place, props.target),
    ),
    joint &&
      known(utilisation) &&
      h("text", { className: "bl-callout bl-callout-large", x: x + (near ? -12 : 12), y: Math.max(16, y + 4), textAnchor: near ? "end" : "start" }, `${number(utilisation, 0)} %`),
    chart && capacityStrip(props, chart, place, area, floor + 14, joint && props.position ? props.position : null, f),
    axis(place, area, below, f, props.words?.outreach),
  ];
  return { children, height: below + 40 };
}

/** Where a crane is named, a reading of its feed asks the server for the position it means: nothing is worked out here.
 * @param {SideViewProps} props */
export function SideView(props) {
  const [ref, width] = useWidth();
  const at = useLive(props.crane)?.at;
  const [utilisation, state] = useUtilisation(props.crane, props.utilisation_pct, props.state || "ok");
  const position = useEased(props.position || {}, props.direct);
  useEffect(() => {
    if (at && at !== props.wanted && props.setProps) props.setProps({ wanted: at });
  }, [at]);
  const { children, height } = width > 0 ? sideScene(props, props.position ? position : {}, utilisation, width) : { children: [], height: 300 };
  return picture({ ...props, state }, ref, width, height, children);
}

/* ---- top view ---- */
/** The view from above in a width [px]. The cab looks up; slewing is positive clockwise seen from above.
 * @type {(props: TopViewProps, position: Position, width: number, size: number) => React.ReactNode[]} */
export function topScene({ carrier, reach_m, units, words = {} }, position, width, size) {
  const f = formats(units);
  const reach = Math.max(reach_m || 8, 4);
  const scale = (size / 2 - 18) / reach;
  const [cx, cy] = [width / 2, size / 2];
  const step = niceStep(reach * f.perMetre, size / 2, 34) / f.perMetre;
  const rings = Array.from({ length: Math.floor(reach / step + 1e-6) }, (_, index) => (index + 1) * step);
  /** @type {(x0: number, x1: number, s0: number, s1: number, className: string) => React.ReactElement} */
  const box = (x0, x1, s0, s1, className) =>
    h("rect", { className, x: cx + Math.min(s0, s1) * scale, y: cy - Math.max(x0, x1) * scale, width: Math.abs(s1 - s0) * scale, height: Math.abs(x1 - x0) * scale, rx: 3 });
  /** @type {(side: number, out?: number) => React.ReactElement[]} */
  const leg = (side, out) => (known(out) ? [box(-0.16, 0.16, 0, side * out, "bl-leg"), box(-0.35, 0.35, side * (out - 0.3), side * (out + 0.3), "bl-leg")] : []);
  /* Without an outreach only the direction is known, so there is no hook. */
  const outreach = position.outreach_m;
  const tip = cy - (known(outreach) ? outreach : reach) * scale;
  return [
    ...rings.flatMap((ring, index) => [
      h("circle", { className: "bl-ring", cx, cy, r: ring * scale }),
      h("text", { className: "bl-axis-text", x: cx + ring * scale - 3, y: cy - 4, textAnchor: "end" }, f.tick(ring) + (index === rings.length - 1 ? " " + f.lengthName : "")),
    ]),
    ...leg(-1, position.left_m),
    ...leg(1, position.right_m),
    box(carrier.rear_m, carrier.front_m - 0.2, -1.22, 1.22, "bl-carrier"),
    box(carrier.front_m - 1.9, carrier.front_m, -1.25, 1.25, "bl-cab"),
    known(position.slew_deg) &&
      h(
        "g",
        { transform: `rotate(${position.slew_deg} ${cx} ${cy})` },
        h("line", { className: known(outreach) ? "bl-top-boom" : "bl-top-boom bl-top-boom-unknown", x1: cx, y1: cy, x2: cx, y2: tip }),
        known(outreach) && h("circle", { className: "bl-hook", cx, cy: tip, r: 5 }),
      ),
    h("circle", { className: "bl-pin", cx, cy, r: 5 }),
    h("text", { className: "bl-axis-text", x: cx, y: 12, textAnchor: "middle" }, words.cab),
  ];
}

/** @param {TopViewProps} props */
export function TopView(props) {
  const [ref, width] = useWidth();
  const position = useEased(props.position || {}, props.direct);
  const size = Math.min(width, 340);
  return picture(props, ref, width, size || 200, size > 0 ? topScene(props, position, width, size) : []);
}
