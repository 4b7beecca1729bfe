"""Readings of a crane's own counters: entered, withdrawn, and what they do to f1."""

from typing import Any

import httpx
import psycopg
import pytest
from fastapi import FastAPI

from tests.api.test_maintenance import engineer

pytestmark = pytest.mark.anyio
PATH = "/cranes/heron-3/counters"


async def enter(http: httpx.AsyncClient, day: str, value: float, **more: Any) -> httpx.Response:
    return await http.post(PATH, json={"kind": "operating_hours", "read_on": day, "value": value, **more})


async def test_a_counter_that_agrees_earns_one_and_one_that_does_not_its_ratio(fresh_api: FastAPI) -> None:
    """heron-3 worked 2 h on record in March 2026."""
    http = await engineer(fresh_api)
    assert (await http.get("/cranes/heron-3/life")).json()["f1"] == 1.1
    assert (await enter(http, "2026-02-27", 1000)).status_code == 201
    answer = await enter(http, "2026-04-02", 1002)
    (span,) = answer.json()["spans"]
    assert (span["gained"], span["recorded"], span["agrees"]) == (2, 2, True)
    life = (await http.get("/cranes/heron-3/life")).json()
    assert life["f1"] == 1.0
    assert life["f1_by_month"][0]["by_counter"]
    await http.delete(f"{PATH}/{answer.json()['readings'][1]['reading_id']}")
    assert (await enter(http, "2026-04-02", 1005)).status_code == 201
    life = (await http.get("/cranes/heron-3/life")).json()
    assert life["f1"] == pytest.approx(2.5)
    assert "2.50 times the recorded hours" in life["f1_by_month"][0]["reason"]["text"]
    period = (
        await http.get("/cranes/heron-3/coverage", params={"day_from": "2026-03-01", "day_to": "2026-03-31"})
    ).json()
    assert period["f1"] == pytest.approx(2.5)


async def test_hours_over_days_without_any_record_are_duty_of_their_own(fresh_api: FastAPI) -> None:
    http = await engineer(fresh_api)
    before = (await http.get("/cranes/heron-3/life")).json()
    await enter(http, "2026-05-01", 1000)
    await enter(http, "2026-05-31", 1010)
    after = (await http.get("/cranes/heron-3/life")).json()
    # 2 h on record in one week: ten more at its pace
    assert after["used_share_unrecorded"] == pytest.approx(10 / 2 * before["used_share_counted"])
    assert "was not recorded" in after["sentence"]


async def test_a_counter_that_runs_backwards_is_refused_unless_it_restarted(fresh_api: FastAPI) -> None:
    http = await engineer(fresh_api)
    await enter(http, "2026-02-27", 1000)
    refused = await enter(http, "2026-04-02", 20)
    assert refused.status_code == 422
    assert "ran backwards" in refused.json()["detail"]
    assert len((await http.get(PATH)).json()["readings"]) == 1
    assert (await enter(http, "2026-04-02", 20, restarted=True)).status_code == 201
    assert (await enter(http, "2026-04-02", 20, restarted=True)).status_code == 201  # the same again
    assert (await enter(http, "2026-04-02", 21)).status_code == 409
    found = (await http.get(PATH)).json()
    assert len(found["readings"]) == 2
    assert found["spans"] == []
    assert (await http.get("/cranes/heron-3/life")).json()["f1"] == 1.1


@pytest.mark.parametrize(
    ("entry", "told"),
    [
        ({"read_on": "2099-01-01"}, "lies ahead"),
        ({"read_on": "2018-02-28"}, "the crane was made on 2018-03-02"),
        ({"value": -1}, "greater than or equal to 0"),
        ({"value": 1e9}, "less than or equal to"),
        ({"value": "12"}, "valid number"),
        ({"kind": "miles"}, "operating_hours"),
        ({"read_on": "2026-03-01", "value": 5000}, "more than there are"),
    ],
)
async def test_a_reading_that_cannot_be_is_refused_with_what_is_wrong(
    fresh_api: FastAPI, entry: dict[str, Any], told: str
) -> None:
    http = await engineer(fresh_api)
    made = {"entries": [{"crane": "heron-3", "manufactured_on": "2018-03-02"}]}
    assert (await http.post("/life-history", json=made)).status_code == 200
    assert (await enter(http, "2026-02-27", 1000)).status_code == 201
    whole = {"kind": "operating_hours", "read_on": "2026-02-28", "value": 1010, **entry}
    answer = await http.post(PATH, json=whole)
    assert answer.status_code == 422, answer.text
    assert told in answer.text
    assert len((await http.get(PATH)).json()["readings"]) == 1


async def test_a_crane_sends_its_counter_itself(fresh_api: FastAPI, fresh_yard_url: str) -> None:
    with psycopg.connect(fresh_yard_url) as conn:
        for seq, (at, value) in enumerate(
            (("2026-02-27T15:00Z", "1000.0"), ("2026-04-02T09:00Z", "1003"), ("2026-04-02T15:00Z", "1004"))
        ):
            conn.execute(
                "insert into event select crane_id, %s, 9, %s, 'counter', 'operating_hours', 'raised', %s, now()"
                " from crane where name = 'heron-3'",
                [at, seq, value],
            )
    http = await engineer(fresh_api)
    found = (await http.get(PATH)).json()
    assert [(one["source"], one["value"]) for one in found["readings"]] == [("event", 1000), ("event", 1004)]
    assert (await http.get("/cranes/heron-3/life")).json()["f1"] == pytest.approx(2.0)
