"""Who runs near the limit and under what circumstances, on the hand-made yard."""

from typing import Any

import httpx
import pytest

from duty import rates

pytestmark = pytest.mark.anyio
DAYS = {"day_from": "2026-03-02", "day_to": "2026-03-03"}


async def ask(http: httpx.AsyncClient, path: str, **query: Any) -> dict[str, Any]:
    response = await http.get(path, params=query)
    assert response.status_code == 200, response.text
    return response.json()


def measure(row: dict[str, Any], name: str) -> dict[str, Any]:
    return next(one for one in row["measures"] if one["name"] == name)


async def test_few_lifts_are_said_but_not_ranked(http: httpx.AsyncClient) -> None:
    """4 of 12 lifts near the limit, 2 stops in 2 h: less than 30 lifts and 10 h."""
    found = await ask(http, "/near-limit", **DAYS)
    assert [row["crane"] for row in found["rows"]] == ["heron-3", "crake-1", "plover-2"]
    heron = found["rows"][0]
    assert heron["place"] is None
    lifts, stops = measure(heron, "near_limit_lifts"), measure(heron, "limiter_stops_per_hour")
    expected = rates.share(4, 12)
    assert (lifts["now"]["value"], lifts["now"]["low"]) == (pytest.approx(1 / 3), expected.low)
    assert not lifts["now"]["enough"]
    assert (stops["now"]["value"], stops["exposure"]) == (1.0, 2.0)
    assert measure(heron, "limiter_overrides_per_lift")["now"]["value"] == pytest.approx(2 / 12)
    assert stops["change_word"] == "unknown"
    assert (found["before_from"], found["before_to"]) == ("2026-02-28", "2026-03-01")


async def test_the_second_day_against_the_first_is_no_clear_change(http: httpx.AsyncClient) -> None:
    found = await ask(http, "/cranes/heron-3/near-limit", day_from="2026-03-03", day_to="2026-03-03")
    stops = measure(found["crane"], "limiter_stops_per_hour")
    assert (stops["change"], stops["change_word"]) == (1.0, "no clear change")
    assert stops["change_low"] < 1 < stops["change_high"]
    assert found["crane"]["near_limit_pct"] == found["crane"]["near_limit_pct_before"]


async def test_circumstances_add_up_to_the_time_near_the_limit(http: httpx.AsyncClient) -> None:
    found = await ask(http, "/cranes/heron-3/near-limit", **DAYS)
    for kind in ("sectors", "hours", "stabilisers", "modes"):
        rows = found[kind]
        assert sum(row["recorded_s"] for row in rows) == 7200, kind
        assert sum(row["near_limit_s"] for row in rows) == 400, kind
        assert [row["weight"] for row in rows] == [1.0], kind  # the boom stood at one place the whole time
    assert found["sectors"][0]["low"] == 90
    assert found["hours"][0]["name"] == "09:00 to 10:00"
    assert found["reasons"] == []  # it gathers nowhere more than all its time does
    (mass,) = found["masses"]
    assert (mass["mass_from_kg"], mass["lifts"], mass["near_limit_lifts"]) == (1000, 12, 4)


async def test_fleet_rows_carry_their_confidence(http: httpx.AsyncClient) -> None:
    rows = (await ask(http, "/fleet", **DAYS))["rows"]
    heron = next(row for row in rows if row["crane"] == "heron-3")
    assert heron["near_limit_lifts_share"]["value"] == pytest.approx(1 / 3)
    assert not heron["limiter_stops_per_hour"]["enough"]
    idle = next(row for row in rows if row["crane"] == "crake-1")
    assert idle["limiter_overrides_per_hour"] == {"value": None, "low": 0, "high": None, "enough": False}


async def test_ranking_within_the_sites_in_scope(http: httpx.AsyncClient) -> None:
    assert (await http.get("/near-limit", params={"by": "colour"})).status_code == 422
    assert (
        await http.get("/cranes/heron-3/override-trace", params={"at": "2026-03-02T08:01:00Z"})
    ).status_code == 404
