"""Load spectra on counted telemetry: against type, fleet and design, and by configuration."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import numpy as np
import psycopg
import pytest

from duty.lift_runs import OLD_RUN
from duty.lifts import _HEAD, from_bytes, lifts
from duty.packing import pack
from store import cranes
from tests.integration.analytics.crane_at_work import Yard, working
from tests.integration.analytics.test_one_standing import asked

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
    assert "of its type" in found["sentence"]


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


def test_days_counted_before_stabilisers_were_kept_are_read_on(yard: Yard) -> None:
    """A day row of the older form beside a new one: its lifts stay, their configuration is unknown."""
    yard.store(yard.messages(START, working(1)))
    yard.count()
    before = yard.rows("lift")
    (row,) = yard.rows("day_figure")
    part = from_bytes(row["lift_part"])
    old = np.zeros(part.runs.size + part.lead.size, OLD_RUN)
    for name in OLD_RUN.names or ():
        old[name] = np.concatenate([part.lead[name], part.runs[name]])
    rule = part.rule
    head = _HEAD.pack(
        *(rule.load_on_pct, rule.load_off_pct, rule.plain_on_pct, rule.plain_off_pct),
        *(rule.hold_ms, rule.release_ms, rule.gap_ms),
        *(True, part.first_ms, part.last_ms, part.first_on, int(bool(part.last_on)), part.lead.size),
    )
    as_it_was = pack(b"lift", 1, head + old.tobytes())
    assert [lift[:7] for lift in lifts(from_bytes(as_it_was))] == [lift[:7] for lift in lifts(part)]
    with psycopg.connect(yard.url) as conn:
        conn.execute("update day_figure set lift_part = %s", [as_it_was])
        conn.execute("update lift set stabiliser_left_pct = null, stabiliser_right_pct = null")
    yard.store(yard.messages(START + timedelta(days=1), working(1, seed=2), boot=2))
    yard.count()
    after = yard.rows("lift")
    assert [row["started_at"] for row in after[: len(before)]] == [row["started_at"] for row in before]
    assert {row["stabiliser_left_pct"] for row in after[: len(before)]} == {None}
    assert {row["stabiliser_left_pct"] for row in after[len(before) :]} == {100}
