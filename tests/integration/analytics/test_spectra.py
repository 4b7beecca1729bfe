"""Load spectra on counted telemetry: against type, fleet and design, and by configuration."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import numpy as np
import psycopg
import pytest

from store import cranes
from tests.integration.analytics.crane_at_work import Yard, working
from tests.integration.analytics.test_one_life_status import asked

START = datetime(2026, 3, 9, 6, tzinfo=UTC)
PERIOD = "day_from=2026-03-09&day_to=2026-03-15"


def test_the_spectrum_beside_type_and_fleet(yard: Yard) -> None:
    """A twin of half the load, and a crane of another type that did nothing."""
    with psycopg.connect(yard.url) as conn:
        twin = yard.crane.model_copy(update={"name": "twin"})
        second = replace(yard, crane=twin, crane_id=cranes.save_crane(conn, twin))
        other_type = yard.crane.type.model_copy(update={"name": "other"})
        cranes.save_crane(conn, yard.crane.model_copy(update={"name": "idle", "type": other_type}))
    signals = working(3)
    yard.store(yard.messages(START, signals))
    second.store(second.messages(START, {**signals, "utilisation_pct": signals["utilisation_pct"] / 2}))
    yard.count()
    (found,) = asked(yard.url, f"/cranes/{yard.crane.name}/spectrum/comparison?{PERIOD}")
    peaks = {
        crane_id: np.array(
            [row["peak_structural_pct"] for row in yard.rows("lift") if row["crane_id"] == crane_id]
        )
        for crane_id in (yard.crane_id, second.crane_id)
    }
    own, both = peaks[yard.crane_id], np.concatenate(list(peaks.values()))
    assert found["own"]["kq"] == pytest.approx(float(np.mean((own / 100) ** 3)))
    assert found["own_type"]["kq"] == pytest.approx(float(np.mean((both / 100) ** 3)))
    assert found["fleet"] == found["own_type"]
    assert (found["own"]["cranes"], found["own_type"]["cranes"]) == (1, 2)
    assert found["own"]["lifts_per_hour"] == pytest.approx(own.size / 3)
    for step in found["own"]["steps"]:
        assert step["lifts"] == np.count_nonzero((own >= step["low_pct"]) & (own < step["high_pct"]))
        assert step["share_at_or_above"] == pytest.approx(np.mean(own >= step["low_pct"]))
    design = found["design"]
    assert design["kq_over_design"] == pytest.approx(found["own"]["kq"] / design["kq"])
    assert design["years_to_cycles"] == pytest.approx(design["cycles"] / own.size * 7 / 365.25)
    assert "of its type" in found["remark"]["text"]


def test_lifts_by_the_narrowest_spread_in_them(yard: Yard) -> None:
    yard.store(yard.messages(START, working(3)))  # right stabiliser at 100 and 40 % by turns, left full
    no_stabilisers = {name: values for name, values in working(1).items() if "stabiliser" not in name}
    yard.store(yard.messages(START + timedelta(days=1), no_stabilisers, boot=2))
    yard.count()
    (found,) = asked(yard.url, f"/cranes/{yard.crane.name}/spectrum/configurations?{PERIOD}")
    rows = {(row["left"], row["right"]): row for row in found["rows"]}
    assert set(rows) == {("full", "full"), ("full", "part"), ("unknown", "unknown")}
    stored = yard.rows("lift")
    assert sum(row["lifts"] for row in rows.values()) == len(stored)
    assert sum(row["kq_share"] for row in rows.values()) == pytest.approx(1)
    part = [row for row in stored if row["stabiliser_right_pct"] == 40]
    assert rows["full", "part"]["lifts"] == len(part) > 0
    assert rows["full", "part"]["kq"] == pytest.approx(
        float(np.mean([(row["peak_structural_pct"] / 100) ** 3 for row in part]))
    )
    assert rows["full", "part"]["near_limit_lifts"] == sum(row["peak_utilisation_pct"] >= 90 for row in part)
    for row in part:  # a lift during which it was run in counts by that
        assert row["ended_at"] > START + timedelta(seconds=2500)
