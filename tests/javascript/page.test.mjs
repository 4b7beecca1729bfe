import "./setup.mjs";
import assert from "node:assert/strict";
import { test } from "node:test";
import { told } from "../../dashboard/assets/contact.mjs";
import { spanLink, wantedBy } from "../../dashboard/assets/keyboard.mjs";
import { writeQuery } from "../../dashboard/assets/page.mjs";
import { painted, recoloured } from "../../dashboard/assets/theme.mjs";
import "../../dashboard/assets/ui.mjs";

const ui = window.dash_clientside.boomledger_ui;

test("contact: a lost server, a lost session, a trouble and a system that works are told apart", () => {
  const words = { lost: "no answer since {time}", trying: "trying", signed_out: "signed out at {time}", sign_in: "sign in", since: "since {time}" };
  const at = new Date("2026-11-30T10:00:00Z");
  const state = (answer) => told(answer, at, "/crane/a?tab=now", words);
  assert.equal(state(null).state, "lost");
  assert.equal(state({ status: 503, troubles: [] }).state, "lost");
  assert.match(state(null).lines[0], /^no answer since \d\d:\d\d:\d\d/);
  assert.deepEqual(state({ status: 401, troubles: [] }).lines[1], ["sign in", "/login?next=%2Fcrane%2Fa%3Ftab%3Dnow"]);
  const trouble = { text: "Counting stopped", since: at.toISOString(), consequence: "Figures are old.", what_to_do: "Start it." };
  assert.match(state({ status: 200, troubles: [trouble] }).lines[0], /^Counting stopped \(since .*\)\. Figures are old\. Start it\.$/);
  assert.deepEqual([state({ status: 200, troubles: [trouble] }).state, state({ status: 200, troubles: [] }).state], ["trouble", "ok"]);
});

function pressed(html, selector, key = "Enter", more = {}) {
  document.body.innerHTML = html;
  const clicks = [];
  document.body.querySelectorAll("button, a").forEach((one) => one.addEventListener("click", (event) => (event.preventDefault(), clicks.push(one.id))));
  const event = new window.KeyboardEvent("keydown", { key, bubbles: true, cancelable: true, ...more });
  document.querySelector(selector).dispatchEvent(event);
  return [clicks, event.defaultPrevented];
}

test("Enter sends the form of a line of text, and not that of a list, a file or a tall field", () => {
  const form = (field) => `<div class="bl-form">${field}<button id="send"></button></div>`;
  assert.deepEqual(pressed(form('<p><input id="f"></p>'), "#f"), [["send"], true]);
  for (const field of ['<input id="f" type="file">', '<input id="f" aria-haspopup="listbox">', '<textarea id="f"></textarea>', '<p class="mantine-Select-root"><input id="f"></p>'])
    assert.deepEqual(pressed(form(field), "#f"), [[], false], field);
  assert.deepEqual(pressed(form('<p><input id="f"></p>'), "#f", "Enter", { isComposing: true }), [[], false]);
});

test("Enter follows the link of a cell", () => {
  assert.deepEqual(pressed('<div class="ag-cell" id="c"><a id="way" href="/crane/a"></a></div>', "#c"), [["way"], true]);
  assert.deepEqual(pressed('<div class="ag-cell" id="c">text</div>', "#c"), [[], false]);
});

test("a stroke goes to the search for a crane, but not while somebody types", () => {
  const page = '<input id="find-crane"><p id="p" tabindex="0"></p><input id="f">';
  assert.deepEqual(pressed(page, "#p", "/"), [[], true]);
  assert.equal(document.activeElement.id, "find-crane");
  assert.deepEqual(pressed(page, "#f", "/"), [[], false]);
  assert.deepEqual(pressed(page, "#p", "/", { ctrlKey: true }), [[], false]);
  document.body.innerHTML = '<p id="p"></p>';
  assert.equal(wantedBy({ key: "/", target: document.getElementById("p") }), null);
});

test("a dragged span is linked by the wall clock of the site, to the second", () => {
  const link = { dataset: { words: "from {from} to {to}" } };
  assert.deepEqual(spanLink(link, "/crane/a", "2026-11-25 08:15:02.5", "2026-11-25 09:00"), {
    href: "/crane/a?tab=trace&from=2026-11-25T08%3A15%3A02&to=2026-11-25T09%3A00",
    text: "from 2026-11-25 08:15:02 to 2026-11-25 09:00",
  });
});

test("an address is written without a new visit, and what is empty leaves it", () => {
  window.history.replaceState({ kept: 1 }, "", "/fleet?q=a&days=7");
  writeQuery({ q: "", sort: "fleet.crane.asc" });
  assert.equal(window.location.pathname + window.location.search, "/fleet?days=7&sort=fleet.crane.asc");
  assert.deepEqual(window.history.state, { kept: 1 });
});

test("figures get the colours of a scheme wherever one is named, and keep their numbers", () => {
  const numbers = [1, 2, 3];
  const figure = { data: [{ x: numbers, marker: { color: "@series" }, text: ["@unknown", "a@b"] }], layout: null };
  const shown = painted(figure, { series: "#123456" });
  assert.deepEqual(shown, { data: [{ x: [1, 2, 3], marker: { color: "#123456" }, text: ["@unknown", "a@b"] }], layout: null });
  assert.equal(shown.data[0].x, numbers);
  const opaque = new Map();
  assert.equal(recoloured({ opaque }, String).opaque, opaque);
});

test("a control of the address writes its value and takes its default out", () => {
  const same = (window.dash_clientside.no_update = Symbol("same"));
  const ids = [{ name: "days", default: 7 }, { name: "tab", default: "now" }];
  assert.equal(ui.mergeQuery([30, "now"], ids, "?tab=trace&x=1"), "?x=1&days=30");
  assert.equal(ui.mergeQuery([7, "now"], ids, "?days=30"), "");
  assert.equal(ui.mergeQuery([7, null], ids, "?tab=trace"), same);
});
