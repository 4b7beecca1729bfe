"""The application as a whole: every callback asynchronous, one graph configuration, nothing from other hosts."""

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
from dashboard.parts import charts, grid
from dashboard.router import match, plain
from dashboard.theme import GRAPH_CONFIG

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
    assert [graph.config for graph in graphs] == [GRAPH_CONFIG]
    assert GRAPH_CONFIG["showSendToCloud"] is False
    assert GRAPH_CONFIG["plotlyServerURL"] == ""
    assert sum(path.read_text().count("dcc.Graph(") for path in ROOM.rglob("*.py")) == 1


def test_no_asset_names_another_host() -> None:
    for path in (ROOM / "assets").iterdir():
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
    assert plain(drawn) == json.loads(to_json_plotly(drawn))
