"""Near-limit answers on counted telemetry: the ranking, where it gathers, and what led to an override."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import numpy as np
import psycopg
import pytest

from domain.messages import EventKind
from store import cranes
from tests.integration.analytics.crane_at_work import Yard, working
from tests.integration.analytics.test_one_life_status import asked

START = datetime(2026, 3, 9, 6, tzinfo=UTC)
PERIOD = "day_from=2026-03-09&day_to=2026-03-15"


def test_a_few_lifts_do_not_lead_over_many(yard: Yard) -> None:
    """One crane: 12 h with some lifts near the limit. The other: minutes, every lift near it."""
    with psycopg.connect(yard.url) as conn:
        other = yard.crane.model_copy(update={"name": "hasty"})
        hasty = replace(yard, crane=other, crane_id=cranes.save_crane(conn, other))
    for day in range(4):
        yard.store(yard.messages(START + timedelta(days=day), working(3, seed=day), boot=day + 1))
    few = np.full(600, 4.0)
    few[100:200] = few[300:400] = 97.0
    hasty.store(hasty.messages(START, {"utilisation_pct": few}))
    yard.count()
    (found,) = asked(yard.url, f"/near-limit?{PERIOD}")
    first, second = found["rows"]
    assert (first["crane"], first["place"]) == (yard.crane.name, 1)
    assert (second["crane"], second["place"]) == ("hasty", None)
    shares = [
        next(m for m in row["measures"] if m["name"] == "near_limit_lifts")["now"] for row in (first, second)
    ]
    assert shares[0]["value"] < shares[1]["value"] == 1.0
    assert (shares[0]["enough"], shares[1]["enough"]) == (True, False)


def test_where_it_gathers_is_told_in_words(yard: Yard) -> None:
    """Near the limit only with the right stabiliser part out, slewed to 100 deg, after 8 o'clock in Vienna."""
    signals = working(3)
    n = signals["utilisation_pct"].size
    near = np.zeros(n, np.bool_)
    near[7300:8500] = True
    signals["utilisation_pct"] = np.where(near, 95.0, np.minimum(signals["utilisation_pct"], 80.0))
    signals["slew_deg"] = np.where(near, 100.0, 10.0)
    signals["stabiliser_right_pct"] = np.where(near, 40.0, 100.0)
    yard.store(yard.messages(START, signals))
    yard.count()
    (found,) = asked(yard.url, f"/cranes/{yard.crane.name}/near-limit?{PERIOD}")
    assert found["crane"]["near_limit_s"] == 1200
    sector = next(row for row in found["sectors"] if row["near_limit_s"])
    assert (sector["low"], sector["high"], sector["share_pct"]) == (90, 105, 100)
    spread = next(row for row in found["stabilisers"] if row["near_limit_s"])
    assert (spread["name"], spread["weight"]) == ("full/part", pytest.approx(n / 1200))
    words = " ".join(one["text"] for one in found["reasons"])
    assert "slewing at 90 to 105°" in words
    assert "full/part" in words
    assert "09:00 to 10:00" in words


def test_an_override_comes_with_the_half_minutes_around_it(yard: Yard) -> None:
    n = 3600
    utilisation = np.full(n, 50.0)
    utilisation[1780:1800] = np.linspace(60, 104, 20)
    utilisation[1801:1810] = 109.0
    outreach = np.full(n, 9.0)
    outreach[1800:] = 10.5
    at = START + timedelta(seconds=1800)
    yard.store(
        yard.messages(START, {"utilisation_pct": utilisation, "outreach_m": outreach}),
        [
            yard.event(at - timedelta(seconds=5), EventKind.LIMITER_STOP, 9000),
            yard.event(at, EventKind.LIMITER_OVERRIDE, 9001),
            yard.event(at + timedelta(seconds=31), EventKind.WARNING, 9002),
        ],
    )
    yard.count()
    name = yard.crane.name
    listed, found = asked(
        yard.url,
        f"/cranes/{name}/overrides?from=2026-03-09T00:00:00Z&to=2026-03-10T00:00:00Z",
        f"/cranes/{name}/override-trace?at=2026-03-09T06:30:00Z",
    )
    assert listed["items"] == [found["override"]]
    assert found["samples"]["recorded_samples"] == 60
    assert found["peak_before_pct"] == pytest.approx(104)
    assert found["peak_after_pct"] == pytest.approx(109)
    assert found["outreach_change_m"] == 0  # the booms moved out with the override itself, and stayed there
    assert [event["kind"] for event in found["events"]] == ["limiter_stop", "limiter_override"]
