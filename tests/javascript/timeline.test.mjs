import "./setup.mjs";
import assert from "node:assert/strict";
import { test } from "node:test";
import { advanced, placeOf, readingsAt, tracePath } from "../../dashboard/assets/timeline.mjs";

const FRAMES = {
  at_ms: [0, 1000, 2000, 60_000],
  utilisation_pct: [10, 90, null, 50],
  state: [0, 1, 3, 0],
  x2: [2, 4, 6, 8],
  outreach_m: [2, 4, 6, 8],
  rated_kg: [900, 800, null, 700],
};
const GAP_MS = 5000;

test("the place of a time is the newest one not after it", () => {
  assert.deepEqual([-1, 0, 999, 1000, 99_999].map((at) => placeOf(FRAMES.at_ms, at)), [-1, 0, 0, 1, 3]);
});

test("the boom moves between two samples; what is measured stays the last reading", () => {
  const { values, gap } = readingsAt(FRAMES, 500, GAP_MS);
  assert.equal(gap, false);
  assert.deepEqual(values, { x2: 3, utilisation_pct: 10, state: 0, outreach_m: 2, rated_kg: 900 });
});

test("what was not read has no figure, not that of a neighbour", () => {
  assert.deepEqual(Object.keys(readingsAt(FRAMES, 2000, GAP_MS).values), ["x2", "state", "outreach_m"]);
});

test("nothing moves into a gap, and in it nothing is known", () => {
  assert.equal(readingsAt(FRAMES, 4000, GAP_MS).values.x2, 6);
  assert.deepEqual([7000, 7001].map((at) => readingsAt(FRAMES, at, GAP_MS).gap), [false, true]);
});

test("the clock runs at its speed, jumps a long gap and ends with the record", () => {
  assert.equal(advanced(FRAMES.at_ms, 0, 100, 4, GAP_MS), 400);
  assert.equal(advanced(FRAMES.at_ms, 6900, 100, 4, GAP_MS), 60_000);
  assert.equal(advanced(FRAMES.at_ms, 60_000, 100, 4, GAP_MS), 60_000);
});

test("the trace keeps the highest and the lowest value of a column and is broken at a gap", () => {
  const frames = { at_ms: [0, 10, 20, 9000], utilisation_pct: [50, 99, 20, 60] };
  const path = tracePath(frames, (at) => at / 1000, (value) => value, GAP_MS);
  assert.equal(path, "M0,50.0L0,20.0L0,99.0L0,20.0M9,60.0");
  assert.equal(tracePath({ at_ms: [0, 10], utilisation_pct: [null, null] }, (at) => at, (value) => value, GAP_MS), "");
});
