"""Reservations on a real database: never two at once, however many ask together."""

import asyncio
from datetime import UTC, datetime, timedelta
from typing import Any

import httpx
import psycopg
import pytest

from domain.errors import Conflict, NotFound
from store import reservations
from store.connection import open_async_pool
from tests.support import rows
from tests.support.ingesting import register

pytestmark = pytest.mark.anyio

START = datetime(2027, 3, 2, 6, 0, tzinfo=UTC)


def window(hours_from: float, hours_to: float) -> dict[str, str]:
    return {
        "starts_at": (START + timedelta(hours=hours_from)).isoformat(),
        "ends_at": (START + timedelta(hours=hours_to)).isoformat(),
    }


def asked(crane: str, hours_from: float, hours_to: float, **more: Any) -> dict[str, Any]:
    return {"crane": crane, "window": window(hours_from, hours_to), "title": "Roof trusses", **more}


async def test_of_fifty_requests_at_once_exactly_one_holds(client: httpx.AsyncClient) -> None:
    # All windows overlap in the hour from 4 to 5, and no two are equal.
    answers = await asyncio.gather(
        *(
            client.post("/reservations", json=asked("yard-01", 4 - index / 100, 5 + index / 50))
            for index in range(50)
        )
    )
    assert sorted(answer.status_code for answer in answers) == [201] + [409] * 49
    listed = (
        await client.get(
            "/reservations", params={"from": window(0, 9)["starts_at"], "to": window(0, 9)["ends_at"]}
        )
    ).json()
    assert len(listed["items"]) == 1


async def test_of_fifty_connections_at_once_exactly_one_holds(yard_database: str) -> None:
    pool = await open_async_pool(yard_database, min_size=50, max_size=50)
    try:
        await pool.wait(timeout=60)

        async def one(index: int) -> bool:
            async with pool.connection() as conn:
                try:
                    await reservations.hold(
                        conn,
                        crane="yard-02",
                        starts_at=START + timedelta(minutes=index),
                        ends_at=START + timedelta(minutes=120),
                        title=f"asked by {index}",
                        held_by="test",
                    )
                except Conflict:
                    return False
                return True

        assert sum(await asyncio.gather(*(one(index) for index in range(50)))) == 1
    finally:
        await pool.close()


async def test_touching_windows_and_other_cranes_do_not_clash(client: httpx.AsyncClient) -> None:
    for crane, start, end in (("yard-01", 0, 2), ("yard-01", 2, 4), ("yard-02", 1, 3)):
        assert (await client.post("/reservations", json=asked(crane, start, end))).status_code == 201
    assert (await client.post("/reservations", json=asked("yard-01", 1.9, 2.1))).status_code == 409


async def test_the_table_refuses_overlaps_whoever_writes(connection: psycopg.Connection[Any]) -> None:
    ids = register(connection.info.dsn, "crane-a")

    def write(during: str) -> None:
        rows.insert(connection, "reservation", crane_id=ids["crane-a"], during=during, title="x", held_by="y")

    write("[2027-03-02 06:00Z,2027-03-02 08:00Z)")
    with pytest.raises(psycopg.errors.ExclusionViolation):
        write("[2027-03-02 07:59Z,2027-03-02 09:00Z)")
    for open_ended in ("empty", "[2027-03-02 12:00Z,)"):
        with pytest.raises(psycopg.errors.CheckViolation):
            write(open_ended)


async def test_a_released_crane_can_be_held_again(client: httpx.AsyncClient) -> None:
    first = (await client.post("/reservations", json=asked("yard-03", 0, 2))).json()
    released = await client.delete(f"/reservations/{first['reservation_id']}")
    assert released.json()["released_at"] is not None
    assert (await client.delete(f"/reservations/{first['reservation_id']}")).status_code == 200
    assert (await client.post("/reservations", json=asked("yard-03", 0, 2))).status_code == 201
    span = {"from": window(0, 9)["starts_at"], "to": window(0, 9)["ends_at"], "crane": "yard-03"}
    assert len((await client.get("/reservations", params=span)).json()["items"]) == 1
    both = await client.get("/reservations", params={**span, "with_released": "true"})
    assert len(both.json()["items"]) == 2


async def test_a_hold_with_a_job_keeps_what_was_planned(client: httpx.AsyncClient) -> None:
    job = {"mass_kg": 800, "rigging_kg": 60, "outreach_m": 6}
    held = await client.post("/reservations", json=asked("yard-04", 0, 2, job=job))
    assert held.status_code == 201
    planned = held.json()["planned"]
    assert planned["fit"]
    assert planned["capacity_used_pct"] == pytest.approx(100 * 860 / planned["capacity_kg"])
    # Asked again for the same window, the crane is not free and no longer comes first.
    again = (await client.post("/dispatch", json={**job, "window": window(1, 3)})).json()
    row = next(row for row in again["candidates"] if row["crane"] == "yard-04")
    assert (row["fit"], row["free"], row["usable"]) == (True, False, False)
    assert row["terms"]["not_free"] == 1000
    assert again["candidates"][0]["crane"] != "yard-04"
    assert any(one["free"] for one in again["candidates"])


async def test_a_crane_that_cannot_take_the_job_is_not_held_for_it(client: httpx.AsyncClient) -> None:
    job = {"mass_kg": 30_000, "rigging_kg": 0, "outreach_m": 6}
    refused = await client.post("/reservations", json=asked("yard-04", 0, 2, job=job))
    assert refused.status_code == 422
    assert "capacity" in refused.json()["detail"]
    assert refused.json()["fields"] == ["crane"]


async def test_unknown_cranes_and_reservations_are_not_found(
    client: httpx.AsyncClient, yard_database: str
) -> None:
    assert (await client.post("/reservations", json=asked("no-such-crane", 0, 2))).status_code == 404
    assert (await client.get("/reservations/999")).status_code == 404
    assert (await client.delete("/reservations/999")).status_code == 404
    pool = await open_async_pool(yard_database)
    async with pool.connection() as conn:
        with pytest.raises(NotFound):
            await reservations.hold(
                conn,
                crane="no-such-crane",
                starts_at=START,
                ends_at=START + timedelta(hours=1),
                title="x",
                held_by="y",
            )
    await pool.close()


@pytest.mark.parametrize(
    ("change", "field"),
    [
        ({"window": window(2, 1)}, "window"),
        ({"window": {"starts_at": "2027-03-02T06:00:00", "ends_at": "2027-03-02T07:00:00"}}, "starts_at"),
        ({"title": "   "}, "title"),
        ({"crane": "No Name"}, "crane"),
        ({"colour": "red"}, "colour"),
    ],
)
async def test_bad_holds_name_the_field(
    client: httpx.AsyncClient, change: dict[str, Any], field: str
) -> None:
    refused = await client.post("/reservations", json={**asked("yard-01", 0, 2), **change})
    assert refused.status_code == 422
    assert field in " ".join(refused.json()["fields"]) + refused.json()["detail"]
