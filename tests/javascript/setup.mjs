/* A page for the scripts to run in: a document, the words and colours that come with it, and React as Dash ships it. */
import { createRequire } from "node:module";
import { JSDOM } from "jsdom";

const dom = new JSDOM("<!doctype html><html><body></body></html>", { url: "http://127.0.0.1/fleet" });
globalThis.window = dom.window;
for (const name of ["document", "Element", "MutationObserver", "Node", "HTMLElement", "Event", "KeyboardEvent"]) globalThis[name] = dom.window[name];
globalThis.React = createRequire(import.meta.url)("react");
globalThis.setInterval = () => 0; // the clock of ages, which would keep the process

dom.window.dash_clientside = { clean_url: (address) => address, set_props: () => undefined };
dom.window.boomledger_words = {
  decimal: ".",
  age: { never: "never", stale: "old", steps: [["now", 10_000, 1000], ["{n} s ago", 60_000, 1000], ["{n} min ago", null, 60_000]] },
};
