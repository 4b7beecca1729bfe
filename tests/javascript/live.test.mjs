import "./setup.mjs";
import assert from "node:assert/strict";
import { test } from "node:test";
import { createRoot } from "react-dom/client";
import { Age, LiveBar, LiveFeed, LiveMark, LiveValue } from "../../dashboard/assets/live.mjs";

const { act, createElement: h } = React;
globalThis.IS_REACT_ACT_ENVIRONMENT = true;
const WORDS = { ok: "fine", watch: "warning", act: "limit", stale: "unknown" };

/* Each test has a crane of its own, for the bus remembers. */
async function shown(crane) {
  const root = createRoot(document.body.appendChild(document.createElement("div")));
  const page = (data, paused) =>
    h("div", null,
      h(LiveFeed, { id: "live", data, paused }),
      h(LiveMark, { id: crane, crane, state: "stale", words: WORDS }),
      h(LiveBar, { id: `${crane}-bar`, crane, value: 40, state: "stale", full: 120, band: [90, 100], label: "bar" }),
      h(LiveValue, { id: `${crane}-value`, crane, channel: "wind_m_s", value: 1, factor: 2, unit: " u", missing: "–" }));
  const text = (name) => document.getElementById(crane + name).textContent;
  const look = () => [document.getElementById(crane).className, text(""), text("-value"), document.querySelector(`#${crane}-bar .bl-bar-fill`).style.width];
  const send = async (data, paused = false) => {
    await act(async () => root.render(page(data, paused)));
    return look();
  };
  return { send, first: await send(undefined) };
}

test("state and value of the newest reading are shown as they were sent", async () => {
  const { send, first } = await shown("one");
  assert.deepEqual(first, ["bl-mark bl-stale", "unknown", "2 u", "33.3333%"]);
  const row = { at: "2026-11-30T10:00:00Z", state: "watch", values: { utilisation_pct: 60, wind_m_s: 5 } };
  assert.deepEqual(await send({ one: row }), ["bl-mark bl-watch", "warning", "10 u", "50%"]);
  assert.deepEqual(await send({ other: { ...row, state: "act" } }), ["bl-mark bl-watch", "warning", "10 u", "50%"]);
});

test("a reading without utilisation changes no state", async () => {
  const { send, first } = await shown("two");
  const [state, word, value] = await send({ two: { at: "2026-11-30T10:00:00Z", state: "ok", values: { wind_m_s: 3 } } });
  assert.deepEqual([state, word], first.slice(0, 2));
  assert.equal(value, "6 u");
});

test("while paused nothing moves; on resuming the newest is shown", async () => {
  const { send, first } = await shown("three");
  const row = (state) => ({ three: { at: "2026-11-30T10:00:00Z", state, values: { utilisation_pct: 30 } } });
  assert.deepEqual(await send(row("watch"), true), first);
  assert.deepEqual(await send(row("act"), true), first);
  assert.equal((await send(row("act"), false))[1], "limit");
});

test("an age says that it is old, and never where there is none", async () => {
  const words = window.boomledger_words.age;
  const root = createRoot(document.body.appendChild(document.createElement("div")));
  const at = (ms) => new Date(Date.now() - ms).toISOString();
  const text = async (value) => {
    await act(async () => root.render(h(Age, { id: "age", at: value, stale_after_ms: 300_000, words })));
    return document.getElementById("age").textContent;
  };
  assert.equal(await text(at(125_000)), "2 min ago");
  assert.equal(await text(at(305_000)), "5 min ago, old");
  assert.equal(await text(null), "never");
});
