/* Ways to other pages without loading anew, and drawings that come as plain lists. */
const { createElement: h, useEffect } = React;

/** Follows a link without loading the page anew, as the links of Dash do.
 * @type {(event: React.MouseEvent, href: string) => void} */
export function follow(event, href) {
  if (event.ctrlKey || event.metaKey || event.shiftKey || event.altKey || event.button) return;
  event.preventDefault();
  window.history.pushState({}, "", href);
  window.dispatchEvent(new CustomEvent("_dashprivate_pushstate"));
  window.scrollTo(0, 0);
}

/** @type {(props: Record<string, any>) => Record<string, any>} */
export const safe = (props) => (props.href ? { ...props, href: window.dash_clientside.clean_url(props.href) } : props);

/** @type {(props: Record<string, any>, inside: React.ReactNode[]) => React.ReactElement} */
export function link(props, inside) {
  const checked = safe(props);
  return h("a", { ...checked, onClick: (/** @type {React.MouseEvent} */ event) => follow(event, checked.href) }, ...inside);
}

/** @param {Record<string, any>} props */
export const Link = ({ children, setProps, id, ...props }) => link(props, [children]);

/** @param {{ to: string }} props */
export function Go({ to }) {
  useEffect(() => {
    window.history.replaceState({}, "", to);
    window.dispatchEvent(new CustomEvent("_dashprivate_pushstate"));
  }, [to]);
  return null;
}

/** @type {(props: { tree: PackedPart }) => React.ReactElement} */
export function Drawing({ tree }) {
  const [tag, props, ...inside] = tree;
  return h(tag, props, ...inside.map((part, key) => (Array.isArray(part) ? h(Drawing, { key, tree: part }) : part)));
}
