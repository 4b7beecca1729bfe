import "./setup.mjs";
import assert from "node:assert/strict";
import { test } from "node:test";
import { renderToStaticMarkup } from "react-dom/server";
import { eased, sideScene, topScene } from "../../dashboard/assets/drawings.mjs";
import { Trace } from "../../dashboard/assets/replay.mjs";

const UNITS = {
  length: { unit: "m", per_si: 1, decimals: 1 },
  mass: [{ below: null, per_si: 1, step: 10, decimals: 0, unit: "kg" }],
};
const POSITION = { x0: 0, y0: 3, x1: 2, y1: 5, x2: 6, y2: 5, outreach_m: 6, rated_kg: 995, left_m: 2, right_m: 1 };
const PROPS = {
  units: UNITS,
  geometry: { pivot_height_m: 3, knuckle_m: 4, strokes_m: [2], jib_m: 0, jib_strokes_m: [] },
  position: POSITION,
  reach: [[8, 0], [8, 8]],
  chart: [[2, 2000], [6, 1000], [6, 500]],
  words: { rated: "rated", at: "at", outreach: "Outreach" },
};

function drawn(props, utilisation, position = props.position || {}) {
  document.body.innerHTML = `<svg>${renderToStaticMarkup(React.createElement("g", null, ...sideScene(props, position, utilisation, 616).children))}</svg>`;
  return (selector) => [...document.querySelectorAll(selector)];
}

test("the hook hangs where the position says, with the capacity that was sent beside it", () => {
  const find = drawn(PROPS, 83.4);
  const [hook] = find(".bl-hook");
  const [dot] = find(".bl-rated-dot");
  assert.equal(hook.getAttribute("cx"), dot.getAttribute("cx"));
  assert.ok(find(".bl-callout").map((one) => one.textContent).includes("990 kg at 6.0 m"), "cut, not rounded up to 1000 kg");
  assert.ok(find(".bl-callout-large").map((one) => one.textContent).includes("83 %"));
});

test("the chart has the corners that were sent and no other", () => {
  const [line] = drawn(PROPS)(".bl-rated-line");
  const corners = line.getAttribute("d").slice(1).split("L").map((corner) => corner.split(",").map(Number));
  assert.equal(corners.length, 3);
  assert.equal(corners[1][0], corners[2][0]);
  assert.ok(corners[0][1] < corners[1][1] && corners[1][1] < corners[2][1], "less capacity stands lower");
});

test("without a position there is no boom, no utilisation at a hook and no capacity of a point", () => {
  const find = drawn({ ...PROPS, position: null }, 83.4, {});
  assert.deepEqual(find(".bl-boom, .bl-hook, .bl-callout, .bl-rated-dot, .bl-leg"), []);
  assert.equal(find(".bl-pose-unknown, .bl-rated-line").length, 2);
});

test("a position without an outreach has no capacity of a point", () => {
  const position = { ...POSITION };
  delete position.outreach_m;
  assert.deepEqual(drawn({ ...PROPS, position })(".bl-rated-dot"), []);
});

test("a load is drawn where its mass is known", () => {
  assert.equal(drawn({ ...PROPS, load_kg: 1234 })(".bl-load").length, 1);
  assert.deepEqual(drawn(PROPS)(".bl-load"), []);
});

test("stabilisers stand out as far as they are, each on its side", () => {
  const { left_m, right_m } = POSITION;
  const [left, , , right] = drawn(PROPS)(".bl-leg").map((one) => Number(one.getAttribute("width")));
  assert.ok(Math.abs(left / right - left_m / right_m) < 1e-9);
  assert.equal(drawn({ ...PROPS, position: { ...POSITION, left_m: undefined } })(".bl-leg").length, 3);
});

function seenFromAbove(position) {
  const props = { units: UNITS, carrier: { rear_m: -6, front_m: 2 }, reach_m: 8 };
  document.body.innerHTML = `<svg>${renderToStaticMarkup(React.createElement("g", null, ...topScene(props, position, 340, 340)))}</svg>`;
}

test("from above, only a direction is drawn where the outreach is not known", () => {
  seenFromAbove({ slew_deg: 30, outreach_m: 4 });
  assert.equal(document.querySelectorAll(".bl-hook").length, 1);
  assert.equal(document.querySelector("g[transform]").getAttribute("transform"), "rotate(30 170 170)");
  seenFromAbove({ slew_deg: 30 });
  assert.deepEqual([".bl-hook", ".bl-top-boom-unknown"].map((one) => document.querySelectorAll(one).length), [0, 1]);
  seenFromAbove({ outreach_m: 4 });
  assert.equal(document.querySelectorAll(".bl-top-boom, .bl-hook").length, 0);
});

test("a position eases in, and what was not there before is there at once", () => {
  assert.deepEqual(eased({ x2: 0 }, { x2: 4, x3: 7 }, 0.5), { x2: 3, x3: 7 });
  assert.deepEqual(eased({ x2: 0 }, { x2: 4 }, 1), { x2: 4 });
});

test("the trace has its highest value below its top, its band, and a mark for each event", () => {
  const frames = { at_ms: [0, 60_000], utilisation_pct: [20, 180] };
  const events = [{ at_ms: 30_000, kind: "limiter_stop", text: "stop", mark: "act", stop: true }];
  const props = { frames, events, width: 660, first: 0, last: 60_000, words: { trace: "t" }, band: [90, 100], gap_ms: 100_000, ticks_ms: [60_000], shown: () => "01 Jan 2026, 12:34:56" };
  document.body.innerHTML = renderToStaticMarkup(React.createElement(Trace, props));
  const heights = document.querySelector(".bl-replay-line").getAttribute("d").match(/,(-?[\d.]+)/g).map((one) => Number(one.slice(1)));
  assert.ok(heights.every((y) => y >= 24 && y <= 166));
  assert.equal(document.querySelector('[data-kind="limiter_stop"]').getAttribute("transform"), "translate(352.0,12)");
  assert.deepEqual([...document.querySelectorAll(".bl-tick ~ text")].map((one) => one.textContent), ["12:34", "12:34"]);
});
