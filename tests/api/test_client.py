"""The typed client against the real api: it reaches every route of data, and the example of the documents runs."""

import os
import re
import subprocess
import sys
from collections.abc import AsyncIterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import psycopg
import pytest
from fastapi import FastAPI

from alerts.rounds import judge_all
from api.app import create_api, every_route, least_roles, running
from api.settings import ApiSettings
from dashboard.client import Client
from dashboard.transport import CALLS
from domain.alerts import AlertKind, AlertRuleAsked, AlertTargetAsked, Shelved
from domain.errors import Conflict, InvalidInput, NotFound
from domain.maintenance import DetailAsked
from domain.registration import CraneRegistration
from tests.api.test_specification import Server

ROOT = Path(__file__).parents[2]
pytestmark = pytest.mark.anyio


@pytest.fixture
async def app(fresh_yard_url: str) -> AsyncIterator[FastAPI]:
    app = create_api(fresh_yard_url, ApiSettings(open_access=True, secure_cookie=False, pool_size=4))
    async with running(app):
        yield app


async def test_alerts_from_rule_to_shelf(app: FastAPI, fresh_yard_url: str) -> None:
    async with Client(app=app) as client:
        await client.write_alert_rule("faults", AlertRuleAsked(kind=AlertKind.FAULT_CODE))
        assert (await client.alert_rules()).items[0].name == "faults"
        with psycopg.connect(fresh_yard_url, autocommit=True) as conn:
            judge_all(conn)
        (row,) = (await client.alerts(open_only=True, crane="heron-3")).items
        assert (await client.acknowledge_alert(row.alert_id, "mine")).alert.acknowledged_by == "open access"
        until = datetime.now(UTC) + timedelta(hours=1)
        assert (
            await client.shelve_alert(row.alert_id, Shelved(until=until, reason="known"))
        ).alert.state == "shelved"
        await client.unshelve_alert(row.alert_id)
        assert (await client.alert(row.alert_id)).history[-1].what == "unshelved"
        assert (await client.alert_summary()).cranes[0].medium == 1
        await client.write_alert_target("yard", AlertTargetAsked(recipients=("ida@yard.example",)))
        await client.try_alert_target("yard")
        assert (await client.alert_deliveries()).items[0].state == "waiting"
        await client.drop_alert_target("yard")
        assert (await client.alert_targets()).items == ()
        await client.drop_alert_rule("faults")
        with pytest.raises(NotFound):
            await client.drop_alert_rule("faults")
        with pytest.raises(InvalidInput):
            await client.alerts(cursor="nonsense")


async def test_a_call_goes_where_its_signature_says(app: FastAPI) -> None:
    span = datetime(2026, 3, 2, tzinfo=UTC), datetime(2026, 3, 3, tzinfo=UTC)
    async with Client(app=app) as client:
        everywhere = (await client.events(*span)).items
        kinds = sorted({row.kind for row in everywhere})
        assert len({row.crane for row in everywhere}) > 1
        assert {row.crane for row in (await client.events(*span, crane="heron-3")).items} == {"heron-3"}
        assert {row.kind for row in (await client.events(*span, kinds=kinds[:1])).items} == set(kinds[:1])
        detail, tag = await client.crane_with_tag("heron-3")
        asked = CraneRegistration.model_validate_json(detail.model_dump_json())
        with pytest.raises(Conflict, match="changed"):
            await client.change_crane("heron-3", asked, tag='W/"another"')
        assert (await client.change_crane("heron-3", asked, tag=tag)).crane == detail.crane
        assert (
            await client.add_user({"name": "ida", "password": "plenty of unrelated words", "role": "viewer"})
        ).sites is None
        assert (await client.change_user("ida", {"disabled": True})).disabled
        weld = DetailAsked(mpa_per_pct=1.2, curve="IIW", reference_mpa=71)
        await client.write_detail("heron-3", "foot", weld)
        assert [row.name for row in (await client.details("heron-3")).items] == ["foot"]


def test_it_reaches_every_route_of_data() -> None:
    sources = "".join(file.read_text() for file in (ROOT / "dashboard").glob("client*.py"))
    reached = {re.sub(r"\{[^}]*\}", "{}", path) for path in re.findall(r'f?"(/[a-z][^"?]*)"', sources)}
    # Log-in belongs to the browser; reports and files come through `pdf`; the rest is for machines that watch.
    others = {
        "/healthz",
        "/readyz",
        "/metrics",
        "/openapi.json",
        "/docs",
        "/login",
        "/reset",
        "/logout",
        "/sign-in",
        "/sign-on",
        "/sign-on/return",
        "/live/stream",
    }
    asked = {
        re.sub(r"\{[^}]*\}", "{}", route.path)
        for route in every_route()
        if route.path not in others and not route.path.endswith(("report", "lift-sheet", ".csv"))
    }
    assert asked <= reached


def test_every_call_is_of_a_route() -> None:
    routes = {(method, re.sub(r"\{[^}]*\}", "{}", path)) for method, path in least_roles()}
    calls = {(method, re.sub(r"\{[^}]*\}", "{}", path)) for method, path in CALLS}
    assert len(calls) > 100
    assert calls <= routes


def test_the_example_of_the_documents_runs(fresh_yard_url: str) -> None:
    app = create_api(fresh_yard_url, ApiSettings(open_access=True, secure_cookie=False, pool_size=4))
    server = Server(app)
    server.start()
    assert server.started.wait(60)
    try:
        done = subprocess.run(
            [sys.executable, "docs/examples/who_is_near_the_limit.py", "2026-03-01", "2026-03-31"],
            cwd=ROOT,
            env={**os.environ, "BOOMLEDGER_API": server.url, "PYTHONPATH": str(ROOT)},
            capture_output=True,
            text=True,
            timeout=120,
        )
    finally:
        server.stop()
    assert done.returncode == 0, done.stderr
    head, first, *_ = done.stdout.splitlines()
    assert "near limit %" in head
    assert first.split() == ["heron-3", "0.3", "33.3", "2"]
