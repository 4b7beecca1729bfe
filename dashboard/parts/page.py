"""What the top of every page looks like: one h1, a line of context, its controls."""

from collections.abc import Sequence
from typing import Any, Final

from dash import dcc, html

from dashboard.parts.components import Age, Choice, Link
from domain.attention import STALE_AFTER_S
from domain.units import MS_PER_S
from words.numbers import age_words

STALE: Final = {"stale_after_ms": MS_PER_S * STALE_AFTER_S}
"""The same for the cells of a grid."""


def head(title: str, context: Any = None, *controls: Any) -> html.Header:
    """Heading, one line under it, and the controls of the page."""
    words = [html.H1(title)]
    if context is not None:
        words.append(html.P(context, className="bl-context"))
    return html.Header(
        [html.Div(words), html.Div(list(controls), className="bl-controls")], className="bl-head"
    )


def tabs(label: str, here: str, items: Sequence[tuple[str, str, str]]) -> html.Nav:
    """Tabs that are links, so that each has an address. items: (key, word, address)."""
    links = [html.Li(_tab(word, href, key == here)) for key, word, href in items]
    return html.Nav(html.Ul(links, className="bl-tabs"), **{"aria-label": label})


def _tab(word: str, href: str, current: bool) -> Any:
    return Link(
        children=word,
        href=href,
        className="bl-tab",
        **({"aria-current": "page"} if current else {}),
    )


def choice(
    name: str, value: str, options: Sequence[tuple[str, str]], *, label: str, default: str
) -> html.Div:
    """A choice that lives in the address under `name`."""
    control = Choice(
        id={"type": "query", "name": name, "default": default},
        value=value,
        options=list(options),
        label=label,
    )
    return html.Div([html.Span(label, className="bl-control-label"), control], className="bl-control")


def age(at: Any, *, crane: str | None = None, stale_after_s: float = STALE_AFTER_S) -> Age:
    """How long ago `at` was, counting up."""
    return Age(
        crane=crane,
        at=at.isoformat() if at is not None else None,
        stale_after_ms=MS_PER_S * stale_after_s,
        words=age_words(),
    )


def crane_link(name: str, title: str = "", **query: str) -> Any:
    """A crane's name as the way to its page."""
    address = f"/crane/{name}" + (
        "?" + "&".join(f"{key}={value}" for key, value in query.items()) if query else ""
    )
    return dcc.Link(title or name, href=address, className="bl-link")
