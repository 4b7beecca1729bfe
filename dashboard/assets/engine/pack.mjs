/* Draws the parts of a page that never change by themselves: short lists made by dashboard/engine/pack.py. */
import { link, safe } from "../links.mjs";

const { React } = window;
const h = React.createElement;

/* Something folded away that comes when the page around it has been painted. */
const awaited = new Set();
let called = false;
function callAll() {
  called = false;
  awaited.forEach((come) => come());
  awaited.clear();
}

function Later({ children }) {
  const [due, setDue] = React.useState(false);
  React.useEffect(() => {
    const come = () => setDue(true);
    awaited.add(come);
    if (!called) {
      called = true;
      if (document.hidden) setTimeout(callAll); // a page in the background is not painted
      else requestAnimationFrame(() => setTimeout(callAll));
    }
    return () => awaited.delete(come);
  }, []);
  return due ? children : null;
}

function draw(part, slots, folded) {
  if (!Array.isArray(part)) return part;
  const [tag, props, ...children] = part;
  if (typeof tag === "number") return folded ? h(Later, null, slots[tag]) : slots[tag];
  const inside = children.map((child) => draw(child, slots, folded || (tag === "details" && !props.open)));
  if (tag === "Link") return link(props, inside);
  return h(window.boomledger[tag] || tag, safe(props), ...inside);
}

export function Packed({ tree, of, children }) {
  const slots = Array.isArray(children) ? children : [children];
  return h(React.Fragment, { key: of }, draw(tree, slots, false));
}
