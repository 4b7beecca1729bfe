/* Ways to other pages without loading anew, and drawings that come as plain lists. */
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

export const safe = (props) => (props.href ? { ...props, href: window.dash_clientside.clean_url(props.href) } : props);

export function link(props, inside) {
  const checked = safe(props);
  return h("a", { ...checked, onClick: (event) => follow(event, checked.href) }, ...inside);
}

export const Link = ({ children, setProps, id, ...props }) => link(props, [children]);

export function Go({ to }) {
  React.useEffect(() => {
    window.history.replaceState({}, "", to);
    window.dispatchEvent(new CustomEvent("_dashprivate_pushstate"));
  }, [to]);
  return null;
}

export function Drawing({ tree }) {
  const [tag, props, ...inside] = tree;
  return h(tag, props, ...inside.map((part, key) => (Array.isArray(part) ? h(Drawing, { key, tree: part }) : part)));
}
