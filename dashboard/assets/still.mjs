/* Draws the parts of a page that never change by themselves: short lists made by dashboard/parts/still.py. */
const { React } = window;
const h = React.createElement;

/* Follows a link without loading the page anew, as the links of Dash do. */
export function follow(event, href) {
  if (event.ctrlKey || event.metaKey || event.shiftKey || event.altKey || event.button) return;
  event.preventDefault();
  window.history.pushState({}, "", href);
  window.dispatchEvent(new CustomEvent("_dashprivate_pushstate"));
  window.scrollTo(0, 0);
}

const safe = (props) => (props.href ? { ...props, href: window.dash_clientside.clean_url(props.href) } : props);

function link(props, inside) {
  const checked = safe(props);
  return h("a", { ...checked, onClick: (event) => follow(event, checked.href) }, ...inside);
}

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

export function Go({ to }) {
  React.useEffect(() => {
    window.history.replaceState({}, "", to);
    window.dispatchEvent(new CustomEvent("_dashprivate_pushstate"));
  }, [to]);
  return null;
}

export const Link = ({ children, setProps, id, ...props }) => link(props, [children]);

export function Still({ tree, of, children }) {
  const slots = Array.isArray(children) ? children : [children];
  return h(React.Fragment, { key: of }, draw(tree, slots, false));
}
