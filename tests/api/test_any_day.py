"""What the api says of today, for days and nights on which such code has gone wrong."""

from datetime import UTC, date, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

import httpx
import psycopg
import pytest
from fastapi import FastAPI

from domain.moments import answered_at
from tests.api.test_exclusions import signed_in
from tests.support import rows
from tests.support.days import Moment, on_any_day

pytestmark = pytest.mark.anyio
VIENNA = ZoneInfo("Europe/Vienna")  # of the north yard


async def ask(http: httpx.AsyncClient, path: str, **query: Any) -> Any:
    answer = await http.get(path, params=query)
    assert answer.status_code == 200, answer.text
    return answer.json()


@on_any_day
async def test_reads_without_a_day_end_today(fresh_api: FastAPI, fresh_yard_url: str, moment: Moment) -> None:
    today, everywhere = moment.at.astimezone(VIENNA).date(), moment.at.date()
    midnight = datetime.combine(today, datetime.min.time(), VIENNA).astimezone(UTC)
    with psycopg.connect(fresh_yard_url, autocommit=True) as conn:
        used = {"loaded_ms": 1_000_000, "near_limit_ms": 400_000, "recorded_ms": 3_600_000, "lifts": 3}
        bounds = {"day_start_at": midnight, "day_end_at": midnight + timedelta(days=1)}
        rows.count_day(conn, "plover-2", everywhere, "Europe/Vienna", **used, **bounds)
        rows.summarise(conn, "plover-2", counting_id=rows.counting_in_use(conn), counted_at=moment.at)
        rows.service(conn, "yearly check", 365)
        rows.fault(conn, "plover-2", moment.at - timedelta(hours=2), "E-11")
    with answered_at(moment.at):
        http = await signed_in(fresh_api, "engineer-all")
        fleet = await ask(http, "/fleet", days=1)
        weeks = await ask(http, "/fleet/weeks", weeks=2)
        ranking = await ask(http, "/near-limit", days=30)
        coverage = await ask(http, "/cranes/plover-2/coverage")
        alone = await ask(http, "/cranes/plover-2/near-limit", days=30)
        (service,) = (await ask(http, "/cranes/plover-2/service"))["items"]
        (fault,) = (await ask(http, "/cranes/plover-2/faults", days=1))["items"]
        life = await ask(http, "/cranes/heron-3/life")
        levelling = await ask(http, "/dispatch/levelling", days=90)
        dossier = await ask(http, "/cranes/heron-3/dossier")
    assert (fleet["day_from"], fleet["day_to"]) == (f"{everywhere}", f"{everywhere}")
    (plover,) = [row for row in fleet["rows"] if row["crane"] == "plover-2"]
    assert plover["near_limit_pct"] == pytest.approx(40)
    monday = everywhere - timedelta(days=everywhere.weekday())
    assert weeks["weeks"] == [f"{monday - timedelta(days=7)}", f"{monday}"]
    shares = {row["crane"]: row["near_limit_pct"] for row in weeks["rows"]}
    assert shares["plover-2"] == [None, pytest.approx(40)]
    assert (ranking["day_from"], ranking["day_to"]) == (f"{everywhere - timedelta(days=29)}", f"{everywhere}")
    assert ranking["before_to"] == f"{everywhere - timedelta(days=30)}"
    assert (coverage["day_from"], coverage["day_to"]) == (f"{today - timedelta(days=89)}", f"{today}")
    assert (alone["day_from"], alone["day_to"]) == (f"{today - timedelta(days=29)}", f"{today}")
    registered = date(2026, 1, 1)
    assert service["due_on"] == f"{max(registered + timedelta(days=365), today)}"
    assert service["overdue"] == (today >= registered + timedelta(days=365))
    assert fault["code"] == "E-11"
    assert life["special_assessment_on"] == "2030-05-01"
    assert levelling["rows"] or levelling["unknown"]
    assert dossier["life"]["special_assessment_on"] == "2030-05-01"


@on_any_day
async def test_entries_of_today_are_taken_and_those_of_tomorrow_refused(
    fresh_api: FastAPI, moment: Moment
) -> None:
    today = moment.at.astimezone(VIENNA).date()
    with answered_at(moment.at):
        http = await signed_in(fresh_api, "engineer-all")
        for path, entry in (
            ("/cranes/plover-2/life-records", {"kind": "inspection", "person": "I. Example"}),
            ("/cranes/plover-2/counters", {"kind": "operating_hours", "value": 12.5}),
        ):
            name = "happened_on" if "records" in path else "read_on"
            for day, status in ((today + timedelta(days=1), 422), (today, 201)):
                answer = await http.post(path, json={**entry, name: f"{day}"})
                assert answer.status_code == status, answer.text
