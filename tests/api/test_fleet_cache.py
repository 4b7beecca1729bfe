"""What is kept of the fleet between requests: a recount, another site and another site scope show at once."""

from datetime import UTC, date, datetime

import httpx
import psycopg
import pytest
from fastapi import FastAPI

from answers.fleet import FleetAtAGlance
from domain.moments import DayRange
from store import summary
from store.connection import open_async_pool
from store.site_scope import look, work_under_role
from tests.api.conftest import DAYS, PASSWORD, client_of
from tests.support import rows

MARCH = {"day_from": "2026-03-01", "day_to": "2026-03-31"}

pytestmark = pytest.mark.anyio


def one_lift_more(conn: psycopg.Connection) -> None:
    """On both days of heron-3, without a word of it in the summary."""
    assert rows.change(conn, "day_figure", {"lifts": 7}) == len(DAYS)


def say_counted(conn: psycopg.Connection) -> None:
    """The summary says that the crane was counted anew."""
    rows.change(conn, "crane_summary", {"counted_at": datetime.now(UTC)})


async def test_only_a_crane_counted_anew_is_summed_again(fresh_yard_url: str) -> None:
    fleet, march = FleetAtAGlance(), DayRange(date(2026, 3, 1), date(2026, 3, 31))
    pool = await open_async_pool(fresh_yard_url, max_size=1, configure=work_under_role)
    with psycopg.connect(fresh_yard_url, autocommit=True) as owner:

        async def lifts() -> dict[str, int]:
            async with pool.connection() as conn, conn.transaction():
                await look(conn, None)
                cranes = await summary.fleet_cranes(conn)
                found = await fleet.figures(conn, cranes, march)
                return {crane.crane: found[crane.crane_id].sums.lifts for crane in cranes}

        assert await lifts() == {"heron-3": 12, "crake-1": 0, "plover-2": 0}
        one_lift_more(owner)
        assert (await lifts())["heron-3"] == 12  # not read again: no count has said so
        say_counted(owner)
        assert (await lifts())["heron-3"] == 14
    await pool.close()


async def test_a_recount_and_another_site_show_to_everyone_at_once(
    fresh_api: FastAPI, fresh_yard_url: str
) -> None:
    fresh_api.state.at_a_glance.answers.fresh_s = -1.0

    async def lifts(who: httpx.AsyncClient) -> dict[str, int]:
        answer = await who.get("/fleet", params=MARCH)
        assert answer.status_code == 200, answer.text
        return {row["crane"]: row["lifts"] for row in answer.json()["rows"]}

    async with client_of(fresh_api) as everyone, client_of(fresh_api) as north:
        for who, account in ((everyone, "viewer-all"), (north, "viewer-north")):
            assert (
                await who.post("/login", json={"account": account, "password": PASSWORD})
            ).status_code == 200
        assert await lifts(everyone) == {"heron-3": 12, "crake-1": 0, "plover-2": 0}
        assert await lifts(north) == {"heron-3": 12, "plover-2": 0}
        with psycopg.connect(fresh_yard_url, autocommit=True) as owner:
            one_lift_more(owner)
            say_counted(owner)
            assert (await lifts(north), (await lifts(everyone))["heron-3"]) == (
                {"heron-3": 14, "plover-2": 0},
                14,
            )
            south = rows.one(owner, "site", "site_id", name="south-yard")
            rows.change(owner, "crane", {"site_id": south}, name="heron-3")
        assert (await lifts(north), (await lifts(everyone))["heron-3"]) == ({"plover-2": 0}, 14)
