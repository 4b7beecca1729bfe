import "./setup.mjs";
import assert from "node:assert/strict";
import { test } from "node:test";
import { ageText, formats, number } from "../../dashboard/assets/figures.mjs";

const METRIC = {
  length: { unit: "m", per_si: 1, decimals: 1 },
  mass: [
    { below: 1000, per_si: 1, step: 10, decimals: 0, unit: "kg" },
    { below: null, per_si: 0.001, step: 0.05, decimals: 2, unit: "t" },
  ],
};

test("figures have a true minus and thin spaces between thousands", () => {
  assert.equal(number(-1234567.891, 1, true), "\u22121\u202f234\u202f567.9");
  assert.equal(number(1234, 0), "1234");
});

test("a rated capacity is cut to its step and a mass rounded to it", () => {
  const f = formats(METRIC);
  assert.equal(f.rated(1199), "1.15 t");
  assert.equal(f.mass(1199), "1.20 t");
  assert.equal(f.rated(999.9), "990 kg");
  assert.equal(f.rated(1000), "1.00 t", "from a thousand on in tonnes");
  assert.equal(f.rated(1150), "1.15 t", "a whole number of steps is not cut by its last bit");
});

test("lengths are shown by the factor that came with the page", () => {
  const feet = formats({ ...METRIC, length: { unit: "ft", per_si: 3.25, decimals: 1 } });
  assert.equal(feet.length(2), "6.5 ft");
  assert.equal(feet.tick(2), "7");
});

test("an age takes the first step that it is below, and is never rounded up", () => {
  const { age } = window.boomledger_words;
  assert.deepEqual([9_999, 10_000, 59_999, 119_999].map((ms) => ageText(ms, age)), ["now", "10 s ago", "59 s ago", "1 min ago"]);
});
