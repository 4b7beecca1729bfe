"""What stands in the document before its scripts run: the page's words and drawings, for whoever asks, and no more."""

import asyncio
import re
from collections.abc import Callable
from typing import Any

import dash_mantine_components as dmc
import pytest
from dash import dcc, html
from starlette.types import Message, Receive, Scope, Send

from dashboard.engine import pack, prerender
from dashboard.engine.markup import html_text
from dashboard.engine.prefetch import Prefetch
from dashboard.engine.prerender import MARK, Prerender
from dashboard.parts import grid, page
from dashboard.parts.components import Age, Drawing, shape
from dashboard.visit import Asked, Finished
from words.numbers import Units


def text_of(drawn: Any) -> str:
    return html_text(pack.packed(pack.plain(drawn), "/fleet"))


def test_words_come_out_as_they_stand_and_nothing_in_them_is_markup() -> None:
    drawn = html.Div(
        [
            html.H1("Fleet"),
            html.P(["a <b> & ", 3, None, html.Strong("c")], className="bl-x", title='"quoted"'),
            dcc.Link("yard-01", href="/crane/yard-01", className="bl-link"),
            html.Br(),
        ]
    )
    assert text_of(drawn) == (
        "<div><h1>Fleet</h1>"
        '<p class="bl-x" title="&quot;quoted&quot;">a &lt;b&gt; &amp; 3<strong>c</strong></p>'
        '<a class="bl-link">yard-01</a><br></div>'
    )


def test_what_needs_its_script_leaves_a_place_of_its_size() -> None:
    rows = [{"a": number} for number in range(40)]
    shown = text_of(html.Div([html.H2("List"), grid.grid("g", "all", [{"field": "a"}], rows), Age(words={})]))
    assert shown.count("bl-bone-part") == 2
    assert 'style="height:70vh"' in shown
    assert ' id="' not in shown


def test_a_field_has_its_name_and_what_nobody_sees_takes_no_place() -> None:
    shown = text_of(
        html.Div([dcc.Store(id="s"), dmc.NumberInput(id="n", label="Load [t]", description="<heaviest>")])
    )
    assert shown == (
        '<div><span class="bl-prerender-field "><span class="bl-prerender-label">Load [t]</span>'
        '<span class="bl-prerender-note">&lt;heaviest&gt;</span><span class="bl-bone bl-bone-part "></span></span></div>'
    )


def test_a_choice_shows_what_is_chosen() -> None:
    shown = text_of(page.choice("days", "7", [("7", "week"), ("30", "month")], label="Period", default="7"))
    assert '<label class="bl-choice-one"><input type="radio" checked>week</label>' in shown
    assert '<label class="bl-choice-one"><input type="radio">month</label>' in shown


def test_what_is_folded_away_stays_out() -> None:
    table = html.Details([html.Summary("Numbers"), html.Table(html.Tr(html.Td("17.5")))])
    assert text_of(html.Div([table])) == "<div><details><summary>Numbers</summary></details></div>"


def test_a_drawing_keeps_its_lines_in_the_document_and_on_the_page() -> None:
    drawing = Drawing(tree=shape("svg", shape("line", x1=0, x2=5), viewBox="0 0 5 5"))
    assert text_of(drawing) == '<svg viewBox="0 0 5 5"><line x1="0" x2="5"></line></svg>'
    assert pack.packed(pack.plain(drawing), "k")["props"]["tree"] == [
        "svg",
        {"viewBox": "0 0 5 5"},
        ["line", {"x1": 0, "x2": 5}],
    ]


DOCUMENT = f"<head></head><body>{MARK}<script></script></body>"


async def documented(scope: Scope, receive: Receive, send: Send) -> None:
    await send({"type": "http.response.start", "status": 200, "headers": [(b"content-length", b"9")]})
    await send({"type": "http.response.body", "body": DOCUMENT.encode()})


def asked_for(
    make: Callable[[Asked], Any], path: str = "/fleet", accept: str = "text/html", cookie: str = ""
) -> tuple[list[bytes], dict[bytes, bytes], list[Asked]]:
    """The parts of the document as they go out, its headers, and what was drawn for it."""
    wanted: list[Asked] = []
    sent: list[Message] = []

    async def draw(asked: Asked) -> Finished:
        wanted.append(asked)
        return Finished(await make(asked), "", "", "")

    async def send(message: Message) -> None:
        sent.append(dict(message))

    async def story() -> None:
        app = Prerender(documented, Prefetch(draw))
        headers = [(b"accept", accept.encode()), (b"cookie", cookie.encode())]
        await app(
            {"type": "http", "method": "GET", "path": path, "query_string": b"days=30", "headers": headers},
            None,  # type: ignore[arg-type]
            send,
        )

    asyncio.run(story())
    return [one["body"] for one in sent[1:]], dict(sent[0]["headers"]), wanted


async def fleet(_asked: Asked) -> Any:
    return ["div", {}, ["h1", {}, "Fleet"]]


def test_the_frame_goes_out_at_once_and_the_page_before_the_scripts() -> None:
    parts, headers, wanted = asked_for(fleet)
    assert len(parts) == 2
    assert b"bl-prerender-side" in parts[0]
    assert b"<h1>Fleet</h1>" not in parts[0]
    assert re.fullmatch(rb"<div><h1>Fleet</h1></div>(</div>\s*)+<script></script></body>", parts[1])
    assert b"content-length" not in headers
    assert headers[b"cache-control"] == b"no-store"
    assert wanted == [Asked("/fleet", "?days=30", Units.METRIC)]


def test_it_is_drawn_in_the_units_that_the_browser_last_had() -> None:
    assert asked_for(fleet, cookie="a=b; boomledger_units=us")[2][0].units is Units.US
    assert asked_for(fleet, cookie="boomledger_units=furlong")[2][0].units is Units.METRIC


def test_a_page_that_is_only_wanted_ahead_is_begun_and_not_sent() -> None:
    drawn: list[Asked] = []

    async def draw(asked: Asked) -> Finished:
        drawn.append(asked)
        return Finished("page", "title", "", "")

    async def story() -> tuple[list[Message], Finished]:
        sent: list[Message] = []

        async def send(message: Message) -> None:
            sent.append(message)

        ahead = Prefetch(draw)
        scope = {
            "type": "http",
            "method": "GET",
            "path": "/life",
            "query_string": b"",
            "headers": [(b"boomledger-prefetch", b"1")],
        }
        await Prerender(documented, ahead)(scope, None, send)  # type: ignore[arg-type]
        return sent, await ahead.take(Asked("/life", "", Units.METRIC))

    sent, given = asyncio.run(story())
    assert [one.get("status") for one in sent] == [204, None]
    assert given == ("page", "title", "", "")
    assert drawn == [Asked("/life", "", Units.METRIC)]


@pytest.mark.parametrize(("path", "accept"), [("/nowhere", "text/html"), ("/fleet", "application/json")])
def test_what_is_no_page_passes_as_it_is(path: str, accept: str) -> None:
    parts, headers, wanted = asked_for(fleet, path=path, accept=accept)
    assert parts == [DOCUMENT.encode()]
    assert headers == {b"content-length": b"9"}
    assert wanted == []


def test_a_page_that_fails_or_takes_long_leaves_grey_shapes(monkeypatch: pytest.MonkeyPatch) -> None:
    async def fail(_asked: Asked) -> Any:
        raise RuntimeError("no page")

    async def dawdle(_asked: Asked) -> Any:
        await asyncio.Event().wait()

    monkeypatch.setattr(prerender, "WAIT_S", 0.01)
    for make in (fail, dawdle):
        parts, _, _ = asked_for(make)
        assert b'data-state="loading"' in parts[1]
        assert parts[1].endswith(b"<script></script></body>")
