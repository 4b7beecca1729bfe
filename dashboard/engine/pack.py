"""Packs the parts of a page that never change by themselves into one component.

Dash wraps every component of a page: it keeps its place, its props and who listens, which in the browser costs about a
tenth of a millisecond each. Most of a page is words in elements that no callback knows. Those travel as short lists and
are drawn by one component, `Packed` in assets/engine/pack.mjs; what has an id or does something stays a component of its own and
stands in a slot between them.

A short list is [tag, props, child, ...] for an element, text for text, [number] for the slot of that number. A slot that is folded
away is filled when the rest has been painted.
"""

from typing import Any, Final

import orjson

_OWN: Final = frozenset({"Age", "LiveValue", "LiveMark", "LiveBar", "Link", "Go"})
FROM_NODES: Final = 3
"""Fewer elements than this are left alone: the packing itself is one component."""


def plain(drawn: Any) -> Any:
    """A page as plain values, as the browser gets it.

    Dash walks through an answer with components in it value by value in Python; one of plain values it writes at once.
    With a thousand rows in a grid that is 5 ms in place of 66.
    """
    written = orjson.dumps(
        drawn, default=lambda part: part.to_plotly_json(), option=orjson.OPT_NON_STR_KEYS | orjson.OPT_SERIALIZE_NUMPY
    )  # fmt: skip
    return orjson.loads(written)


def packed(drawn: Any, key: str) -> Any:
    """A drawn page of plain values with its still parts packed. key: what tells one page from another."""
    slots: list[Any] = []
    tree = _short(drawn, slots)
    return _still(tree, slots, key)


def _still(tree: Any, slots: list[Any], key: str) -> dict[str, Any]:
    return {
        "type": "Packed",
        "namespace": "boomledger",
        "props": {"tree": tree, "of": key, **({"children": slots} if slots else {})},
    }


def _short(part: Any, slots: list[Any]) -> Any:
    """The short form of a part; what is no still element goes into a slot."""
    if not isinstance(part, dict):
        return part
    props = part.get("props", {})
    if part.get("type") == "Drawing":
        return props["tree"]
    tag = _tag(part, props)
    if tag is None:
        slots.append(_alive(part, props))
        return [len(slots) - 1]
    rest = {name: value for name, value in props.items() if name != "children" and value is not None}
    return [tag, rest, *(_short(one, slots) for one in _listed(props.get("children")))]


def _tag(part: dict[str, Any], props: dict[str, Any]) -> str | None:
    """How a still element is called, None for what is not one."""
    kind = str(part.get("type"))
    if "id" in props:
        return None
    match part.get("namespace"):
        case "dash_html_components":
            return kind.lower()
        case "dash_core_components" if kind == "Link":
            return kind
        case "boomledger" if kind in _OWN:
            return kind
    return None


def _alive(part: dict[str, Any], props: dict[str, Any]) -> dict[str, Any]:
    """A component that stays one, with what stands inside it packed where that is worth it."""
    if "children" not in props:
        return part
    children = props["children"]
    inside = [_worth(one) for one in children] if isinstance(children, list) else _worth(children)
    return {**part, "props": {**props, "children": inside}}


def _worth(part: Any) -> Any:
    if not isinstance(part, dict):
        return part
    slots: list[Any] = []
    tree = _short(part, slots)
    if tree == [0]:
        return slots[0]
    worth = _elements(tree) >= FROM_NODES or tree[0] == "details"
    return _still(tree, slots, "") if worth else part


def _elements(tree: Any) -> int:
    if not isinstance(tree, list):
        return 0
    own = 1 if tree and isinstance(tree[0], str) else 0
    return own + sum(map(_elements, tree[2:]))


def _listed(children: Any) -> list[Any]:
    if children is None:
        return []
    if not isinstance(children, list):
        return [children]
    return [one for child in children for one in _listed(child)]
