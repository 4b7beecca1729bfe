"""The application as a whole: every callback asynchronous, one graph configuration, nothing from other hosts."""

import asyncio
import inspect
import json
import re
from datetime import UTC, datetime
from pathlib import Path

import httpx
import pytest
from dash import dcc, html
from fastapi import FastAPI
from plotly.io.json import to_json_plotly

from dashboard.app import create_dashboard
from dashboard.client import session_headers
from dashboard.engine import pack
from dashboard.engine.prefetch import Prefetch
from dashboard.parts import charts, components, grid
from dashboard.router import match
from dashboard.theme import graph_config
from dashboard.visit import Asked, Finished
from words.numbers import Units

ROOM = Path(__file__).parents[3] / "dashboard"


@pytest.fixture
def anyio_backend() -> str:
    return "asyncio"


def test_every_callback_is_asynchronous() -> None:
    app = create_dashboard(FastAPI())
    asked = [spec["callback"] for spec in app.callback_map.values() if "callback" in spec]
    assert len(asked) >= 5
    assert all(
        inspect.iscoroutinefunction(inspect.unwrap(one)) or inspect.iscoroutinefunction(one) for one in asked
    )


def test_a_graph_has_no_button_that_could_send_it_away() -> None:
    card = charts.chart("x", "X", "s", {"data": [], "layout": {"height": 100}}, headers=("a",), rows=[(1.0,)])
    graphs = [one for one in card._traverse() if isinstance(one, dcc.Graph)]
    assert [graph.config for graph in graphs] == [graph_config()]
    assert graph_config()["showSendToCloud"] is False
    assert graph_config()["plotlyServerURL"] == ""
    assert sum(path.read_text().count("dcc.Graph(") for path in ROOM.rglob("*.py")) == 1


def test_no_asset_names_another_host() -> None:
    for path in filter(Path.is_file, (ROOM / "assets").rglob("*")):
        assert not re.search(r"https?://|//cdn|@import", path.read_text()), path.name


def test_a_spreadsheet_cannot_be_made_to_run_a_cell() -> None:
    address = charts._csv_address(("name",), [("=1+1",), ("+x",), (-1.5,)])
    assert address.endswith("name%0D%0A%27%3D1%2B1%0D%0A%27%2Bx%0D%0A-1.5%0D%0A")


@pytest.mark.parametrize(
    ("path", "title"),
    [
        ("/", "fleet.title"),
        ("/crane/yard-02/", "crane.title"),
        ("/life/yard-02", "life.title"),
        ("/data", "health.title"),
    ],
)
def test_an_address_leads_to_its_page(path: str, title: str) -> None:
    found = match(path)
    assert found is not None
    assert found[0].title == title


@pytest.mark.parametrize("path", ["/crane/", "/crane/No", "/crane/a/b", "/x", "/life/../x"])
def test_other_addresses_lead_nowhere(path: str) -> None:
    assert match(path) is None


@pytest.mark.anyio
async def test_scripts_come_packed_and_the_second_time_from_memory() -> None:
    app = create_dashboard(FastAPI())
    transport = httpx.ASGITransport(app=app.server)
    async with httpx.AsyncClient(transport=transport, base_url="http://127.0.0.1") as browser:
        index = (await browser.get("/")).text
        path = re.search(r'src="(/_dash-component-suites/dash/deps/react-dom[^"]+)"', index)
        assert path is not None
        first = await browser.get(path[1])
        second = await browser.get(path[1])
        plain = await browser.get(path[1], headers={"accept-encoding": "identity"})
    assert first.headers["content-encoding"] == "gzip"
    assert first.content == second.content == plain.content
    assert "content-encoding" not in plain.headers


@pytest.mark.anyio
async def test_dash_loads_one_script_of_ours_and_one_of_the_engine_and_the_page_says_where_that_finds_the_others() -> (
    None
):
    app = create_dashboard(FastAPI())
    transport = httpx.ASGITransport(app=app.server)
    async with httpx.AsyncClient(transport=transport, base_url="http://127.0.0.1") as browser:
        index = (await browser.get("/")).text
        listed = re.search(r'<script type="importmap">(.*?)</script>', index)
        assert listed is not None
        answers = {name: await browser.get(at) for name, at in json.loads(listed[1])["imports"].items()}
    ours = {f"/assets/{path.relative_to(ROOM / 'assets').as_posix()}" for path in ROOM.rglob("*.mjs")}
    loaded = ["/assets/main.mjs", "/assets/engine/main.mjs"]
    assert re.findall(r'data-src="(/assets/[^?"]+)', index) == loaded
    assert set(answers) == ours - set(loaded)
    for answer in answers.values():
        assert answer.headers["content-type"].startswith("text/javascript")
        assert "immutable" in answer.headers["cache-control"]


@pytest.mark.anyio
async def test_the_api_is_mounted_beside_the_pages() -> None:
    api = FastAPI()
    app = create_dashboard(api)
    transport = httpx.ASGITransport(app=app.server)
    async with httpx.AsyncClient(transport=transport, base_url="http://127.0.0.1") as browser:
        answer = await browser.get("/api/v1/unknown")
    assert answer.status_code == 404
    assert answer.headers["content-type"] == "application/json"


def test_a_page_goes_to_the_browser_as_the_same_values_that_dash_would_write() -> None:
    at = datetime(2026, 11, 25, 8, tzinfo=UTC)
    drawn = html.Div(
        [
            html.P("worn", className="bl-x"),
            None,
            grid.grid("g", "all", [{"field": "a"}], [{"a": at, "b": None}]),
        ]
    )
    assert pack.plain(drawn) == json.loads(to_json_plotly(drawn))


def test_an_answer_that_was_begun_ahead_is_given_once_and_to_its_caller_only() -> None:
    drawn: list[str] = []

    async def make(asked: Asked) -> Finished:
        drawn.append(str((session_headers.get() or {}).get("cookie")))
        return Finished("page", f"for {drawn[-1]}", "", "")

    async def ask(begun: Prefetch, cookie: str, *, begin: bool) -> str:
        token = session_headers.set({"cookie": cookie})
        try:
            if begin:
                begun.begin(asked)
            return (await begun.take(asked))[1] if not begin else ""
        finally:
            session_headers.reset(token)

    async def story() -> list[str]:
        begun = Prefetch(make)
        await ask(begun, "a", begin=True)
        return [await ask(begun, cookie, begin=False) for cookie in ("b", "a", "a")]

    asked = Asked("/fleet", "", Units.METRIC)
    assert asyncio.run(story()) == ["for b", "for a", "for a"]
    assert sorted(drawn) == ["a", "a", "b"]  # four wishes, three drawings: the one begun ahead was given out


def unpacked(part: object, slots: list[object]) -> object:
    """A short list as the components that it stands for."""
    if not isinstance(part, list):
        return part
    tag, *rest = part
    if isinstance(tag, int):
        return opened(slots[tag])
    props, *children = rest
    return (tag, props, [unpacked(one, slots) for one in children])


def opened(part: object) -> object:
    """A component of plain values as (name, props, children), with what is packed in it taken out."""
    if not isinstance(part, dict):
        return part
    props = {name: value for name, value in part["props"].items() if name != "children" and value is not None}
    children = part["props"].get("children")
    if part["type"] == "Packed":
        return unpacked(props["tree"], children or [])
    name = part["type"].lower() if part["namespace"] == "dash_html_components" else part["type"]
    listed = children if isinstance(children, list) else [children]
    return (name, props, [opened(one) for one in listed if one is not None])


def test_packing_a_page_loses_nothing_and_leaves_components_with_an_id() -> None:
    page = html.Div(
        [
            html.P(["worn ", html.Strong("much"), 3, None], className="bl-x", title="t"),
            html.Div(
                [html.P("a"), html.Ul([html.Li("b"), html.Li(dcc.Link("c", href="/crane/c"))])], id="kept"
            ),
            dcc.Store(id="store", data=[1, 2]),
            html.Table(html.Tbody([html.Tr([html.Td("d"), html.Td("e", colSpan=2)])])),
        ]
    )
    values = pack.plain(page)
    packed = pack.packed(values, "/x")
    assert [one["type"] for one in packed["props"]["children"]] == ["Div", "Store"]
    assert packed["props"]["of"] == "/x"

    def tidy(part: object) -> object:
        if not isinstance(part, tuple):
            return part
        name, props, children = part
        return (name, props, [tidy(one) for one in children if one is not None])

    assert tidy(opened(packed)) == tidy(opened(values))


def test_libraries_ask_for_generators_only_where_ours_can_stand_in() -> None:
    suites = [
        Path(inspect.getfile(__import__(name))).parent
        for name in ("dash", "dash_mantine_components", "dash_ag_grid")
    ]
    known = re.compile(
        r"regeneratorRuntime\.(mark\(function|wrap\(function\(\w\)\{for\(;;\)switch\(\w\.prev=\w\.next\)\{case 0:"
        r"return \w\.next=2,\w\(!0\);case 2:\w\.isReady=!0;case 3:case\"end\":return \w\.stop\(\)\}\})"
    )
    served = [
        suites[0] / "dash-renderer/build/dash_renderer.min.js", *(suites[0] / "dcc").glob("*.js"),
        *(suites[0] / "html").glob("*.min.js"), *suites[1].glob("*.js"), *suites[2].glob("*.js"),
    ]  # fmt: skip
    uses = 0
    for path in served:
        text = path.read_text(encoding="utf-8")
        uses += text.count("regeneratorRuntime")
        assert len(known.findall(text)) == text.count("regeneratorRuntime"), path.name
    assert uses > 0


def types_of_the_scripts() -> dict[str, set[str]]:
    """The props of each component as assets/types.d.ts has them."""
    text = re.sub(r"/\*.*?\*/", "", (ROOM / "assets" / "types.d.ts").read_text(), flags=re.DOTALL)
    while (flat := re.sub(r"(?<=: )[^;{}]*\{[^{}]*\}", "any", text)) != text:
        text = flat
    found: dict[str, set[str]] = {}
    for name, above, body in re.findall(
        r"interface (\w+)Props(?: extends (\w+)Props)? \{(.*?)\}", text, re.DOTALL
    ):
        found[name] = set(re.findall(r"(\w+)\??: ", body)) | found.get(above, set())
    return found


def test_the_scripts_know_the_props_that_python_sends() -> None:
    """A prop that one of the two does not know is refused by Dash or never drawn."""
    typed = types_of_the_scripts()
    ours = {one._type: {"id", *one._props} for one in components._Drawn.__subclasses__()}
    both = typed.keys() & ours.keys()
    assert both >= {
        "Age",
        "Choice",
        "LiveBar",
        "LiveFeed",
        "LiveMark",
        "LiveValue",
        "Player",
        "SideView",
        "TopView",
    }
    for name in both:
        assert typed[name] - {"setProps"} == ours[name], name
