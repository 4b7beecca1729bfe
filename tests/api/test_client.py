"""The typed client against the real api."""

from collections.abc import AsyncIterator
from datetime import UTC, datetime, timedelta

import psycopg
import pytest
from fastapi import FastAPI

from alerts.rounds import judge_all
from api.app import create_api, running
from api.settings import ApiSettings
from dashboard.client import Client
from domain.alerts import AlertKind, AlertRuleAsked, AlertTargetAsked, Shelved
from domain.errors import InvalidInput, NotFound

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
