"""A drawn page as HTML text, for the moment before its scripts run. Works on a page as pack.py makes it.

Words and drawings come out as they will stand; what only lives with its script (a grid, a chart, a field, a live value)
leaves its place as a grey shape of about its size. Identifiers and addresses are left out: the page itself brings them.
"""

import re
from collections.abc import Mapping
from html import escape
from typing import Any, Final

_EMPTY: Final = frozenset({"br", "col", "hr", "img", "input"})
_NAMES: Final = {"className": "class", "htmlFor": "for"}
_OF_THE_PAGE: Final = frozenset(
    {"id", "key", "children", "n_clicks", "tabIndex", "href", "download", "target", "data-grid"}
)
_UNSEEN: Final = frozenset({"Store", "Go", "Interval", "Download"})
_LINKS: Final = frozenset({"Anchor", "Link"})


def html_text(part: Any, slots: Any = ()) -> str:
    """The HTML of a page or of a part of one.

    part: text, a number, a short list of pack.py, a component as plain values, or a list of such components.
    slots: the components that stand in the slots of a short list, or the only one of them.
    """
    match part:
        case None | bool() | []:
            return ""
        case {"type": "Packed", "props": props}:
            return html_text(props["tree"], props.get("children", ()))
        case {"type": "Drawing", "props": {"tree": tree}}:
            return html_text(tree)
        case {"namespace": "dash_mantine_components", "props": {"label": str()} as props}:
            return _field(props)
        case {"type": "Choice", "props": props}:
            return _choice(props)
        case {"type": kind, "props": props}:
            children = props.get("children")
            inside = children if isinstance(children, list) else [children]
            tag = kind.lower() if part.get("namespace") == "dash_html_components" else kind
            return _element(tag, props, inside, ())
        case [str(tag), dict(props), *inside]:
            return _element(tag, props, inside, slots)
        case [int(slot)]:
            return html_text(slots[slot] if isinstance(slots, list) else slots)
        case list():
            return "".join(html_text(one, slots) for one in part)
        case _:
            return escape(str(part))


def _element(tag: str, props: Mapping[str, Any], inside: list[Any], slots: Any) -> str:
    if tag in _LINKS:
        tag = "a"
    if tag in _UNSEEN:
        return ""
    if not tag.islower():
        return html_text(_shape(props))
    if tag == "details" and not props.get("open"):
        inside = inside[:1]  # the words that open it; nobody can before the page is there
    attributes = "".join(
        _attribute(_NAMES.get(name, name), value) for name, value in props.items() if name not in _OF_THE_PAGE
    )
    text = "".join(html_text(one, slots) for one in inside)
    return f"<{tag}{attributes}>" + ("" if tag in _EMPTY else f"{text}</{tag}>")


def _attribute(name: str, value: Any) -> str:
    if value is None or value is False:
        return ""
    if name == "style":
        value = _style(value)
    return f" {name}" if value is True else f' {name}="{escape(str(value))}"'


def _style(values: Mapping[str, Any]) -> str:
    return ";".join(
        f"{re.sub('[A-Z]', lambda found: f'-{found[0].lower()}', name)}:{value}"
        for name, value in values.items()
        if value is not None
    )


def _choice(props: Mapping[str, Any]) -> str:
    """The words of a choice with the chosen one marked, as assets/components.mjs draws them."""
    words = [
        [
            "label",
            {"className": "bl-choice-one"},
            ["input", {"type": "radio", "checked": key == props["value"]}],
            word,
        ]
        for key, word in props["options"]
    ]
    kind = "bl-choice bl-choice-wide" if props.get("wide") else "bl-choice"
    return html_text(["div", {"className": kind}, *words])


def _field(props: Mapping[str, Any]) -> str:
    """A field by its name and the words below that, with the place of what can be typed."""
    told = [_span("bl-prerender-label", props["label"])]
    if note := props.get("description"):
        told.append(_span("bl-prerender-note", note))
    return html_text(_span(f"bl-prerender-field {props.get('className', '')}", *told, _shape({})))


def _shape(props: Mapping[str, Any]) -> list[Any]:
    """The place of something that its script draws."""
    height = (props.get("style") or {}).get("height")
    style = {"height": height} if height else None
    return _span(f"bl-bone bl-bone-part {props.get('className', '')}", style=style)


def _span(kind: str, *inside: Any, **props: Any) -> list[Any]:
    return ["span", {"className": kind, **props}, *inside]
