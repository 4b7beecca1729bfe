"""What pages are made of: the heading with its controls, cards, folds, tables, lists and links, each with its look and what makes it
readable to all in one place."""

from collections.abc import Iterable, Sequence
from typing import Any, Final

import dash_mantine_components as dmc
from dash import dcc, html

from dashboard.parts.components import Age, Choice, Link
from domain.attention import STALE_AFTER_S
from domain.units import MS_PER_S
from words.numbers import age_words

STALE: Final = {"stale_after_ms": MS_PER_S * STALE_AFTER_S}
"""The same for the cells of a grid."""
QUIET: Final = "bl-button bl-button-quiet"


def head(title: str, context: Any = None, *controls: Any) -> html.Header:
    """Heading, one line under it, and the controls of the page."""
    words = [html.H1(title)]
    if context is not None:
        words.append(html.P(context, className="bl-context"))
    return html.Header(
        [html.Div(words), html.Div(list(controls), className="bl-controls")], className="bl-head"
    )


def card(
    title: Any, *parts: Any, note: Any = None, flush: bool = False, kind: str = "", **more: Any
) -> html.Section:
    """A part of a page under its own heading. note: words below that. flush: what follows reaches its edges, as grids do."""
    words = [html.H2(title), None if note is None else html.P(note, className="bl-summary")]
    look = " ".join(filter(None, ("bl-card", "bl-card-flush" if flush else "", kind)))
    return html.Section([html.Div(words), *parts] if flush else [*words, *parts], className=look, **more)


def note(words: Any) -> html.P:
    """What goes with the figures beside it."""
    return html.P(words, className="bl-summary")


def nothing(words: Any) -> html.P:
    """That there is nothing yet."""
    return html.P(words, className="bl-nothing")


def fold(word: Any, *parts: Any, look: str = "bl-numbers", **more: Any) -> html.Details:
    """What is folded away behind a word."""
    return html.Details([html.Summary(word), *parts], className=look, **more)


def entries(lines: Sequence[Any], none: str = "") -> html.Ul | html.P:
    """What is entered already, a line each, or that there is nothing."""
    return html.Ul([html.Li(line) for line in lines], className="bl-entries") if lines else nothing(none)


def table(headers: Sequence[Any], rows: Iterable[Any], label: str = "", look: str = "bl-table-scroll") -> Any:
    """A table. rows: html.Tr, or the cells of one. label: what it lists, where it may be wider than the screen and scrolls by itself."""
    lines = [row if isinstance(row, html.Tr) else html.Tr([_cell(cell) for cell in row]) for row in rows]
    whole = html.Table(
        [html.Thead(html.Tr([html.Th(word, scope="col") for word in headers])), html.Tbody(lines)],
        className="bl-table",
    )
    if not label:
        return whole
    return html.Div(whole, className=look, tabIndex=0, role="region", **{"aria-label": label})


def _cell(cell: Any) -> Any:
    return cell if isinstance(cell, html.Th | html.Td) else html.Td(cell)


def row_head(words: Any) -> html.Th:
    """The cell that names its row."""
    return html.Th(words, scope="row")


def link(words: Any, href: str, **more: Any) -> dcc.Link:
    """The way to another page, in a line of words."""
    return dcc.Link(words, href=href, className="bl-link", **more)


def button(words: Any, href: str, **more: Any) -> dcc.Link:
    """The way to another page, as a quiet button."""
    return dcc.Link(words, href=href, className=QUIET, **more)


def tall(words: Any, href: str, **more: Any) -> dmc.Anchor:
    """The same for a thumb, within a page as well."""
    return dmc.Anchor(words, href=href, underline="never", className=f"{QUIET} bl-button-tall", **more)


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
