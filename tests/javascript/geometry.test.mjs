import "./setup.mjs";
import assert from "node:assert/strict";
import { test } from "node:test";
import { bounds, fitted, joints, member, niceStep, sections, ticks } from "../../dashboard/assets/geometry.mjs";

const GEOMETRY = { pivot_height_m: 3, knuckle_m: 2, strokes_m: [1, 1.5], jib_m: 1, jib_strokes_m: [] };

test("joints are the points that were sent; without a tip there is no pose", () => {
  const sent = { x0: 0.4, y0: 3, x1: 3, y1: 6, x2: 7.5, y2: 5 };
  assert.deepEqual(joints(sent), { column: [0.4, 3], elbow: [3, 6], tip: [7.5, 5], hook: [7.5, 5], withJib: false });
  assert.deepEqual(joints({ ...sent, x3: 9, y3: 6 }).hook, [9, 6]);
  assert.equal(joints({ x0: 0, y0: 3 }), null);
  assert.equal(joints(null), null);
});

test("a member is drawn across its direction", () => {
  assert.equal(member(([x, y]) => [x, y], [0, 0], [10, 0], 2, 1), "0.0,2.0 10.0,1.0 10.0,-1.0 0.0,-2.0");
});

test("extensions are seen in their order, as far as they are out, and fill the length", () => {
  assert.deepEqual(sections(2, [1, 1.5], 0), [{ from: 0, to: 1, extension: null }]);
  const seen = sections(2, [1, 1.5], 2);
  assert.deepEqual(seen.map((one) => one.extension), [0, 1, null]);
  assert.deepEqual(seen.map((one) => [one.from, one.to]), [[0.5, 0.75], [0.75, 1], [0, 0.5]]);
});

test("an axis has round steps from nought to its end", () => {
  assert.deepEqual(ticks(2, 0.5), [0, 0.5, 1, 1.5, 2]);
  assert.deepEqual(ticks(0.3, 0.1), [0, 0.1, 0.2, 0.3]);
  assert.equal(niceStep(10, 500, 46), 1);
  assert.equal(niceStep(400, 100, 46), 100);
});

test("the side view holds the reach, the point asked for and the carrier, and looks no deeper than three metres", () => {
  const area = bounds({ geometry: GEOMETRY, reach: [[8, -6], [5, 9]], target: { outreach_m: 12, hook_height_m: 2 } });
  assert.deepEqual(area, { left: -4.2, right: 12.8, top: 9.6, bottom: -3.3 });
  assert.deepEqual(bounds({ geometry: GEOMETRY }), { left: -4.2, right: 2.8, top: 4.6, bottom: -0.6 - 0.3 });
});

test("a scene is fitted into its width and height, in the middle", () => {
  const area = { left: -4, right: 6, top: 8, bottom: -2 };
  const wide = fitted(area, 1016, 300);
  assert.equal(wide.scale, 30);
  assert.deepEqual(wide.place([-4, 8]), [358, 0]);
  assert.deepEqual(wide.place([6, -2]), [658, 300]);
  assert.equal(fitted(area, 116, 300).scale, 10);
});
