/* Draws the parts of a page that never change by themselves: short lists made by dashboard/engine/pack.py. */
import { link, safe } from "../links.mjs";

const { createElement: h, Fragment, useEffect, useState } = React;

/** @type {Set<() => void>} */
const awaited = new Set();
let called = false;
function callAll() {
  called = false;
  awaited.forEach((come) => come());
  awaited.clear();
}

/** Something folded away that comes when the page around it has been painted.
 * @param {{ children?: React.ReactNode }} props */
function Later({ children }) {
  const [due, setDue] = useState(false);
  useEffect(() => {
    const come = () => setDue(true);
    awaited.add(come);
    if (!called) {
      called = true;
      if (document.hidden) setTimeout(callAll); // a page in the background is not painted
      else requestAnimationFrame(() => setTimeout(callAll));
    }
    return () => void awaited.delete(come);
  }, []);
  return due ? children : null;
}

/** @type {(part: any, slots: React.ReactNode[], folded: boolean) => React.ReactNode} */
function draw(part, slots, folded) {
  if (!Array.isArray(part)) return part;
  const [tag, props, ...children] = part;
  if (typeof tag === "number") return folded ? h(Later, null, slots[tag]) : slots[tag];
  const inside = children.map((/** @type {any} */ child) => draw(child, slots, folded || (tag === "details" && !props.open)));
  if (tag === "Link") return link(props, inside);
  return h(/** @type {any} */ (window.boomledger[tag] || tag), safe(props), ...inside);
}

/** @param {{ tree: any, of: string, children?: React.ReactNode }} props */
export function Packed({ tree, of, children }) {
  const slots = Array.isArray(children) ? children : [children];
  return h(Fragment, { key: of }, draw(tree, slots, false));
}
