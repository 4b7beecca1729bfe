/* The boom drawn: side view in its pose with the rated capacity under it, and the view from above. */
import { number, useLive } from "./components.mjs";

const { React } = window;
const h = React.createElement;
const { useEffect, useLayoutEffect, useRef, useState } = React;

/* ---- drawing helpers ---- */
const still = () => window.matchMedia("(prefers-reduced-motion: reduce)").matches;

function useWidth() {
  const ref = useRef(null);
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

/* Moves numbers towards their targets over a third of a second; at once where motion is not wanted, or where
   somebody else moves them (`direct`). */
function useEased(target, direct) {
  const [shown, setShown] = useState(target);
  const from = useRef(target);
  const key = JSON.stringify(target);
  useEffect(() => {
    if (direct) {
      from.current = target;
      return undefined;
    }
    const start = { ...from.current };
    const names = Object.keys(target);
    if (still() || document.hidden || !names.some((name) => start[name] !== target[name])) {
      from.current = target;
      setShown(target);
      return undefined;
    }
    let frame = 0;
    const began = performance.now();
    const step = (now) => {
      const part = Math.min(1, (now - began) / 350);
      const eased = part * (2 - part);
      const next = {};
      for (const name of names) {
        const a = start[name];
        const b = target[name];
        next[name] = typeof a === "number" && typeof b === "number" ? a + (b - a) * eased : b;
      }
      from.current = next;
      setShown(next);
      if (part < 1) frame = requestAnimationFrame(step);
    };
    frame = requestAnimationFrame(step);
    return () => cancelAnimationFrame(frame);
  }, [key, direct]);
  return direct ? target : shown;
}

/* The joints as they were sent [m]: pivot, knuckle joint, tip, and with a fly jib its tip. */
function joints(position) {
  const at = (index) => [position["x" + index], position["y" + index]];
  const withJib = typeof position.x3 === "number";
  return { column: at(0), elbow: at(1), tip: at(2), hook: at(withJib ? 3 : 2), withJib };
}

function member(place, from, to, thick, thin) {
  const [ax, ay] = place(from);
  const [bx, by] = place(to);
  const length = Math.hypot(bx - ax, by - ay) || 1;
  const nx = -(by - ay) / length;
  const ny = (bx - ax) / length;
  return [
    [ax + nx * thick, ay + ny * thick],
    [bx + nx * thin, by + ny * thin],
    [bx - nx * thin, by - ny * thin],
    [ax - nx * thick, ay - ny * thick],
  ]
    .map((point) => point.map((value) => value.toFixed(1)).join(","))
    .join(" ");
}

function between(from, to, part) {
  return [from[0] + (to[0] - from[0]) * part, from[1] + (to[1] - from[1]) * part];
}

/* A knuckle boom or jib: the base section, then each extension thinner, as far as it is out. */
function telescope(place, from, to, base, strokes, out, thick, key) {
  const total = base + out;
  const parts = [];
  let left = out;
  let reached = base;
  strokes.forEach((stroke, index) => {
    const length = Math.min(stroke, Math.max(0, left));
    left -= length;
    if (length > 0.005) {
      const width = Math.max(1.6, thick * (0.8 - 0.09 * index));
      parts.push(
        h("polygon", {
          key: key + "-" + index,
          className: "bl-boom bl-boom-extension",
          points: member(place, between(from, to, reached / total), between(from, to, (reached + length) / total), width, width),
        }),
      );
    }
    reached += length;
  });
  parts.push(
    h("polygon", {
      key: key + "-base",
      className: "bl-boom",
      points: member(place, from, between(from, to, base / total), thick, thick * 0.86),
    }),
  );
  return parts;
}

function ticks(limit, step) {
  const marks = [];
  for (let value = 0; value <= limit + 1e-9; value += step) marks.push(Math.round(value * 100) / 100);
  return marks;
}

function niceStep(span, room, smallest) {
  const raw = (span * smallest) / Math.max(room, 1);
  for (const step of [0.5, 1, 2, 5, 10, 20, 50]) if (step >= raw) return step;
  return 100;
}

/* How figures read: units, factors and decimals come with the page (words/numbers.py), here they are only applied. */
function units(props) {
  const { length, mass } = props.units;
  const spoken = (value, round) => {
    const form = mass.find((one) => one.below === null || value < one.below);
    return number(round((value * form.per_si) / form.step) * form.step, form.decimals, true) + " " + form.unit;
  };
  return {
    length: (metres) => number(metres * length.per_si, length.decimals) + " " + length.unit,
    tick: (metres) => number(metres * length.per_si, 0),
    lengthName: length.unit,
    perMetre: length.per_si,
    /* A rated capacity is cut, never rounded up. */
    rated: (kg) => spoken(kg, (steps) => Math.floor(steps + 1e-9)),
    mass: (kg) => spoken(kg, Math.round),
  };
}

/* ---- side view ---- */
function bounds(props) {
  let right = 2;
  let top = props.geometry.pivot_height_m + 1;
  let bottom = -0.6;
  for (const [x, y] of props.reach || []) {
    right = Math.max(right, x);
    top = Math.max(top, y);
    bottom = Math.min(bottom, Math.max(y, -3));
  }
  const target = props.target;
  if (target) {
    right = Math.max(right, target.outreach_m);
    top = Math.max(top, target.hook_height_m);
  }
  return { left: -4.2, right: right + 0.8, top: top + 0.6, bottom: bottom - 0.3 };
}

function carrierEnd(place, scale, position) {
  const box = (x, y, width, height, name, key) => {
    const [px, py] = place([x, y + height]);
    return h("rect", { key, className: name, x: px, y: py, width: width * scale, height: height * scale, rx: 2 });
  };
  const legs = [];
  [
    [-1, position.left_m],
    [1, position.right_m],
  ].forEach(([side, out]) => {
    if (typeof out !== "number") return;
    legs.push(box(side < 0 ? -out : 0, 0.72, out, 0.16, "bl-leg", "beam" + side));
    legs.push(box(side * out - 0.09, 0.05, 0.18, 0.75, "bl-leg", "post" + side));
    legs.push(box(side * out - 0.3, 0, 0.6, 0.08, "bl-leg", "pad" + side));
  });
  return [
    ...legs,
    box(-1.2, 0, 0.42, 0.95, "bl-wheel", "wheel-left"),
    box(0.78, 0, 0.42, 0.95, "bl-wheel", "wheel-right"),
    box(-1.25, 0.95, 2.5, 0.4, "bl-carrier", "frame"),
  ];
}

function target(props, place) {
  if (!props.target) return [];
  const [tx, ty] = place([props.target.outreach_m, props.target.hook_height_m]);
  return [
    h("g", { key: "target", className: "bl-target" }, [
      h("circle", { key: "a", cx: tx, cy: ty, r: 9 }),
      h("line", { key: "b", x1: tx - 14, x2: tx + 14, y1: ty, y2: ty }),
      h("line", { key: "c", x1: tx, x2: tx, y1: ty - 14, y2: ty + 14 }),
    ]),
  ];
}

function sideScene(props, position, place, scale, area, u) {
  const g = props.geometry;
  const j = position ? joints(position) : null;
  const thick = Math.max(3, scale * 0.26);
  const [gx0, gy] = place([area.left, 0]);
  const [gx1] = place([area.right, 0]);
  const scene = [];
  if (props.reach && props.reach.length) {
    const points = props.reach.map((point) => place(point).map((v) => v.toFixed(1)).join(",")).join(" ");
    scene.push(h("polygon", { key: "reach", className: "bl-reach", points }));
  }
  scene.push(h("line", { key: "ground", className: "bl-ground", x1: gx0, x2: gx1, y1: gy, y2: gy }));
  scene.push(h("g", { key: "carrier" }, carrierEnd(place, scale, position || {})));
  if (!j) return { scene: scene.concat(target(props, place)), hook: null };
  scene.push(h("polygon", { key: "column", className: "bl-column", points: member(place, [0, 1.3], j.column, thick * 1.35, thick * 0.95) }));
  scene.push(h("g", { key: "knuckle" }, telescope(place, j.elbow, j.tip, g.knuckle_m, g.strokes_m || [], position.extension_m || 0, thick * 0.82, "k")));
  if (j.withJib) scene.push(h("g", { key: "jib" }, telescope(place, j.tip, j.hook, g.jib_m, g.jib_strokes_m || [], position.jib_extension_m || 0, thick * 0.5, "j")));
  scene.push(h("polygon", { key: "main", className: "bl-boom bl-boom-main", points: member(place, j.column, j.elbow, thick, thick * 0.92) }));
  [j.column, j.elbow].concat(j.withJib ? [j.tip] : []).forEach((point, index) => {
    const [x, y] = place(point);
    scene.push(h("circle", { key: "pin" + index, className: "bl-pin", cx: x, cy: y, r: Math.max(2, thick * 0.42) }));
  });
  const [hx, hy] = place(j.hook);
  scene.push(h("line", { key: "rope", className: "bl-rope", x1: hx, y1: hy, x2: hx, y2: hy + scale * 0.55 }));
  scene.push(h("circle", { key: "hook", className: "bl-hook", cx: hx, cy: hy + scale * 0.55 + 4, r: 4 }));
  scene.push(h("line", { key: "plumb", className: "bl-plumb", x1: hx, y1: hy + scale * 0.55 + 8, x2: hx, y2: gy }));
  if (typeof props.load_kg === "number") {
    const side = Math.max(10, scale * 0.8);
    scene.push(h("rect", { key: "load", className: "bl-load", x: hx - side / 2, y: hy + scale * 0.55 + 8, width: side, height: side * 0.7, rx: 2 }));
    scene.push(h("text", { key: "mass", className: "bl-callout", x: hx, y: hy + scale * 0.55 + 24 + side * 0.7, textAnchor: "middle" }, u.mass(props.load_kg)));
  }
  return { scene: scene.concat(target(props, place)), hook: [hx, hy] };
}

/* The rated capacity under the drawing, on the same axis of outreach. */
function capacityStrip(props, place, area, top, height, outreach, rated, u) {
  const chart = props.chart || [];
  const words = props.words || {};
  const most = Math.max(...chart.map((point) => point[1]), 1);
  const y = (kg) => top + height - (Math.min(kg, most) / most) * (height - 18);
  const x = (metres) => place([metres, 0])[0];
  /* The corners as they were sent: nothing is read off between them. */
  const corners = chart.map(([reach, capacity]) => `${x(reach).toFixed(1)},${y(capacity).toFixed(1)}`);
  const line = `M${corners.join("L")}`;
  const closed = `${line}L${x(chart[chart.length - 1][0]).toFixed(1)},${top + height}L${x(chart[0][0]).toFixed(1)},${top + height}Z`;
  const parts = [
    h("path", { key: "area", className: "bl-rated-area", d: closed }),
    h("path", { key: "line", className: "bl-rated-line", d: line }),
    h("text", { key: "name", className: "bl-axis-text", x: x(0) - 6, y: y(most) + 4, textAnchor: "end" }, u.rated(most)),
    h("text", { key: "title", className: "bl-axis-text", x: x(0) - 6, y: top + height, textAnchor: "end" }, words.rated || ""),
  ];
  (props.lifts || []).forEach(([reach, kg, near], index) => {
    parts.push(
      h("circle", { key: "lift" + index, className: near ? "bl-lift-dot bl-lift-near" : "bl-lift-dot", cx: x(reach), cy: y(kg), r: 2.6 }),
    );
  });
  if (typeof rated === "number" && typeof outreach === "number") {
    const label = `${u.rated(rated)} ${words.at || ""} ${u.length(outreach)}`;
    const px = x(outreach);
    const flip = px > place([area.right, 0])[0] - 150;
    parts.push(h("line", { key: "here", className: "bl-plumb", x1: px, x2: px, y1: top, y2: top + height }));
    parts.push(h("circle", { key: "dot", className: "bl-rated-dot", cx: px, cy: y(rated), r: 4.5 }));
    parts.push(
      h("text", { key: "label", className: "bl-callout", x: px + (flip ? -9 : 9), y: y(rated) - 7, textAnchor: flip ? "end" : "start" }, label),
    );
  }
  return parts;
}

function axis(place, area, y, u, words) {
  const reach = area.right * u.perMetre;
  const [x0] = place([0, 0]);
  const [x1] = place([area.right, 0]);
  const step = niceStep(reach, x1 - x0, 46);
  const parts = ticks(reach, step).map((value) => {
    const x = place([value / u.perMetre, 0])[0];
    return h("g", { key: value }, [
      h("line", { key: "l", className: "bl-tick", x1: x, x2: x, y1: y, y2: y + 4 }),
      h("text", { key: "t", className: "bl-axis-text", x, y: y + 17, textAnchor: "middle" }, number(value, step < 1 ? 1 : 0)),
    ]);
  });
  parts.push(h("text", { key: "n", className: "bl-axis-text", x: place([area.right, 0])[0], y: y + 33, textAnchor: "end" }, `${words.outreach || ""} [${u.lengthName}]`));
  return parts;
}

/* Where a crane is named, a reading of its feed asks the server for the position it means: nothing is worked out here. */
function useNews(crane, wanted, setProps) {
  const row = useLive(crane);
  const at = row && row.at;
  useEffect(() => {
    if (at && at !== wanted && setProps) setProps({ wanted: at });
  }, [at]);
  return row;
}

export function SideView(props) {
  const [ref, width] = useWidth();
  const row = useNews(props.crane, props.wanted, props.setProps);
  const position = props.position;
  const live = row && row.values && row.values.utilisation_pct;
  const utilisation = typeof live === "number" ? live : props.utilisation_pct;
  const eased = useEased(position || {}, props.direct);
  const known = Boolean(position) && typeof eased.x2 === "number";
  const area = bounds(props);
  const u = units(props);
  const words = props.words || {};
  const chart = props.chart && props.chart.length > 1 ? props.chart : null;
  const scale = Math.min((width - 16) / (area.right - area.left), (props.tallest || 500) / (area.top - area.bottom));
  const offset = Math.max(8, (width - scale * (area.right - area.left)) / 2);
  const sceneHeight = scale * (area.top - area.bottom);
  const place = ([x, y]) => [offset + (x - area.left) * scale, (area.top - y) * scale];
  const strip = chart ? 96 : 0;
  const height = sceneHeight + (chart ? strip + 14 : 0) + 40;
  const children = [];
  if (width > 0) {
    const drawn = sideScene(props, known ? eased : null, place, scale, area, u);
    children.push(h("g", { key: "scene", className: position ? "" : "bl-pose-unknown" }, drawn.scene));
    if (drawn.hook && typeof utilisation === "number") {
      const near = drawn.hook[0] > width - 120;
      children.push(
        h("text", { key: "u", className: "bl-callout bl-callout-large", x: drawn.hook[0] + (near ? -12 : 12), y: Math.max(16, drawn.hook[1] + 4), textAnchor: near ? "end" : "start" }, `${number(utilisation, 0)} %`),
      );
    }
    if (chart) children.push(h("g", { key: "strip" }, capacityStrip(props, place, area, sceneHeight + 14, strip, known ? position.outreach_m : null, position && position.rated_kg, u)));
    children.push(h("g", { key: "axis" }, axis(place, area, sceneHeight + (chart ? strip + 14 : 0), u, words)));
  }
  return h(
    "div",
    { id: props.id, ref, className: `bl-drawing bl-${props.state || "ok"}` },
    h("svg", { role: "img", "aria-label": props.label || "", width: Math.max(width, 1), height: width ? height : 300 }, children),
  );
}

/* ---- top view ---- */
export function TopView(props) {
  const [ref, width] = useWidth();
  const eased = useEased(props.position || {}, props.direct);
  const c = props.carrier;
  const u = units(props);
  const reach = Math.max(props.reach_m || 8, 4);
  const size = Math.min(width || 0, 340);
  const scale = (size / 2 - 18) / reach;
  const centre = [width / 2, size / 2];
  /* The cab looks up; slewing is positive clockwise seen from above. */
  const place = (x, side) => [centre[0] + side * scale, centre[1] - x * scale];
  const children = [];
  if (size > 0) {
    const step = niceStep(reach * u.perMetre, size / 2, 34) / u.perMetre;
    for (let ring = step; ring <= reach + 1e-6; ring += step) {
      children.push(h("circle", { key: "ring" + ring, className: "bl-ring", cx: centre[0], cy: centre[1], r: ring * scale }));
      children.push(h("text", { key: "ringt" + ring, className: "bl-axis-text", x: centre[0] + ring * scale - 3, y: centre[1] - 4, textAnchor: "end" }, u.tick(ring) + (ring + step > reach + 1e-6 ? " " + u.lengthName : "")));
    }
    const rect = (x0, x1, s0, s1, name, key) => {
      const [px, py] = place(Math.max(x0, x1), Math.min(s0, s1));
      return h("rect", { key, className: name, x: px, y: py, width: Math.abs(s1 - s0) * scale, height: Math.abs(x1 - x0) * scale, rx: 3 });
    };
    [[-1, eased.left_m], [1, eased.right_m]].forEach(([side, spread]) => {
      if (typeof spread !== "number") return;
      children.push(rect(-0.16, 0.16, 0, side * spread, "bl-leg", "leg" + side));
      children.push(rect(-0.35, 0.35, side * (spread - 0.3), side * (spread + 0.3), "bl-leg", "pad" + side));
    });
    children.push(rect(c.rear_m, c.front_m - 0.2, -1.22, 1.22, "bl-carrier", "bed"));
    children.push(rect(c.front_m - 1.9, c.front_m, -1.25, 1.25, "bl-cab", "cab"));
    if (typeof eased.slew_deg === "number") {
      /* Drawn over the cab and turned by the angle. Without an outreach only the direction is known, so there is no hook. */
      const known = typeof eased.outreach_m === "number";
      const [ex, ey] = place(known ? eased.outreach_m : reach, 0);
      const name = known ? "bl-top-boom" : "bl-top-boom bl-top-boom-unknown";
      const boom = [h("line", { key: "boom", className: name, x1: centre[0], y1: centre[1], x2: ex, y2: ey })];
      if (known) boom.push(h("circle", { key: "hook", className: "bl-hook", cx: ex, cy: ey, r: 5 }));
      children.push(h("g", { key: "boom", transform: `rotate(${eased.slew_deg} ${centre[0]} ${centre[1]})` }, boom));
    }
    children.push(h("circle", { key: "axis", className: "bl-pin", cx: centre[0], cy: centre[1], r: 5 }));
    children.push(h("text", { key: "cabname", className: "bl-axis-text", x: centre[0], y: 12, textAnchor: "middle" }, (props.words || {}).cab || ""));
  }
  return h(
    "div",
    { id: props.id, ref, className: `bl-drawing bl-${props.state || "ok"}` },
    h("svg", { role: "img", "aria-label": props.label || "", width: Math.max(width, 1), height: size || 200 }, children),
  );
}
