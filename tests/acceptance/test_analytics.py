"""What analytics counts against what the simulator knows to be true, over the invented yard.

The short form takes three weeks of five cranes; `-m full` the whole year of twelve. Sensors are noisy, the truth is not: counts
of messages and events must agree exactly, figures of a noisy signal within what is said beside them.
"""

import threading
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from itertools import groupby

import numpy as np
import psycopg
import pytest
from psycopg.rows import dict_row

from analytics import worker
from boomledger.yard import register, write_history
from domain.attention import REVIEW_SHARE
from domain.messages import EventKind, EventState
from duty import damage, ledger, life
from duty.damage import COMPARISON
from duty.edges import DEFAULT_EDGES
from duty.spectrum import kq
from duty.statics import structural_pct
from simulator.generate import generate
from simulator.record import DayRecord, TrueLift, utc_of
from simulator.yard import Yard, YardCrane, load_yard
from store.duty import FIRST_DAY, LAST_DAY, LIFE_READ, LIFT_PEAKS
from store.summary import CRANE_SUMMARY, FLEET_CRANES_NOW, FLEET_PERIOD, CraneSummary, FleetPeriod
from tests.support.databases import new_database

FIRST = date(2025, 10, 13)  # the clock is put back on the second Sunday


@dataclass(frozen=True, kw_only=True)
class Counted:
    """A counted database and the records that it was filled with."""

    url: str
    yard: Yard
    cranes: tuple[YardCrane, ...]
    first: date
    days: int
    records: dict[str, tuple[DayRecord, ...]]

    def lifts_of(self, crane: str) -> list[TrueLift]:
        return [lift for record in self.records[crane] for lift in record.truth.lifts]

    def summary(self, crane: str) -> CraneSummary:
        with psycopg.connect(self.url) as conn:
            found = CRANE_SUMMARY.first(conn, crane=crane)
        assert found is not None
        return found

    def fleet(self) -> dict[str, FleetPeriod]:
        with psycopg.connect(self.url) as conn:
            names = {
                row.crane_id: row.crane
                for row in FLEET_CRANES_NOW.all(conn, sites=None, review_at_share=REVIEW_SHARE)
            }
            period = {"day_from": self.first, "day_to": self.first + timedelta(days=self.days - 1)}
            found = FLEET_PERIOD.all(conn, crane_ids=list(names), **period)
        return {names[row.crane_id]: row for row in found}

    def rows(self, statement: str, *params: object) -> list[dict]:
        with psycopg.connect(self.url, row_factory=dict_row) as conn:
            return conn.execute(statement, params).fetchall()


def fill_and_count(url: str, names: Sequence[str] | None, first: date, days: int) -> Counted:
    """Writes simulated days and has two workers count them."""
    yard = load_yard(first + timedelta(days=days), healthy=True)
    cranes = tuple(crane for crane in yard.cranes if names is None or crane.name in names)
    register(url, yard, first)
    records = sorted(generate(cranes, first, days, dt_ms=500), key=lambda record: (record.crane, record.day))
    write_history(url, records)
    workers = [threading.Thread(target=worker.run, args=(url, threading.Event(), True)) for _ in range(2)]
    for each in workers:
        each.start()
    for each in workers:
        each.join()
    return Counted(
        url=url,
        yard=yard,
        cranes=cranes,
        first=first,
        days=days,
        records={name: tuple(of) for name, of in groupby(records, key=lambda record: record.crane)},
    )


@pytest.fixture(
    params=[
        pytest.param((("yard-01", "yard-02", "yard-04", "yard-05"), 14), id="two-weeks"),
        pytest.param((None, 365), id="year", marks=[pytest.mark.full, pytest.mark.timeout(7200)]),
    ],
    scope="module",
)
def counted(
    request: pytest.FixtureRequest, database_server: str, database_template: str
) -> Iterator[Counted]:
    names, days = request.param
    with new_database(database_server, database_template) as url:
        yield fill_and_count(url, names, FIRST, days)


def test_every_sample_and_event_is_counted_for_its_day(counted: Counted) -> None:
    for crane, records in counted.records.items():
        days = {
            row["day"]: row
            for row in counted.rows(
                "select d.* from day_figure d join crane using (crane_id) where name = %s", crane
            )
        }
        for record in records:
            row = days[record.day]
            assert row["samples"] == record.samples
            assert row["recorded_ms"] + row["sensor_gap_ms"] == record.samples * record.dt_ms
            assert row["limiter_stops"] == record.truth.limiter_stops_ms.size
            assert row["limiter_overrides"] == record.truth.limiter_overrides_ms.size
            assert row["offline_gap_ms"] == row["quarantine_gap_ms"] == 0


def test_the_ledger_is_the_count_of_the_whole_history(counted: Counted) -> None:
    """Bit for bit: years merged from months merged from days, against one count of everything that was sent."""
    for crane, records in counted.records.items():
        sent = [structural_pct(r.channels["utilisation_pct"], r.channels["limit_pct"]) for r in records]
        whole = np.concatenate(sent)
        with psycopg.connect(counted.url) as conn:
            years = LIFE_READ.all(conn, crane=crane, directions=False)
        merged = ledger.merge_all([ledger.from_bytes(year.ledger) for year in years])
        assert merged == ledger.count(whole[np.isfinite(whole)], DEFAULT_EDGES)


def test_lifts_are_the_lifts_that_were_made(counted: Counted) -> None:
    """At most 1 % of the lifts of a crane missed or made up, each found at its time."""
    for crane in counted.records:
        true = counted.lifts_of(crane)
        found = counted.rows(
            "select l.* from lift l join crane using (crane_id) where name = %s order by started_at", crane
        )
        assert abs(len(found) - len(true)) <= max(1, 0.01 * len(true))
        starts = np.array([row["started_at"].timestamp() for row in found])
        ends = np.array([row["ended_at"].timestamp() for row in found])
        middles = np.array([(lift.started_ms + lift.ended_ms) / 2000 for lift in true])
        place = np.searchsorted(starts, middles, side="right") - 1
        hit = (place >= 0) & (ends[place] >= middles)
        assert hit.mean() >= 0.99
        stops = sum(row["limiter_stops"] for row in found)
        assert stops <= sum(record.truth.limiter_stops_ms.size for record in counted.records[crane])
        assert stops >= 0.9 * sum(lift.limiter_stops for lift in true)


def test_spectrum_and_used_share_follow_the_true_lifts(counted: Counted) -> None:
    """kQ within 2 %: noise widens peaks a little, and peaks enter with their cube."""
    for crane in counted.cranes:
        true = counted.lifts_of(crane.name)
        expected = kq([lift.peak_structural_pct for lift in true])
        summary = counted.summary(crane.name)
        assert summary.kq == pytest.approx(expected, rel=0.02)
        with psycopg.connect(counted.url) as conn:
            peaks = LIFT_PEAKS.all(conn, crane=crane.name, day_from=FIRST_DAY, day_to=LAST_DAY)
        assert summary.kq == pytest.approx(kq([peak.peak_structural_pct for peak in peaks]), rel=1e-12)
        assert summary.f1 is not None
        assert summary.f1 >= 1.1  # no counter of its own says that nothing is missing
        assert crane.crane.design is not None
        expected_share = life.used_share(
            crane.crane.design, len(true), expected, summary.f1, crane.crane.prior_duty
        )
        assert summary.used_share_counted == pytest.approx(expected_share.counted, rel=0.03)


def test_time_near_the_limit_is_the_true_time(counted: Counted) -> None:
    """Within 5 % or ten seconds a day: noise moves samples over the line both ways."""
    for crane, records in counted.records.items():
        true_s = sum(record.truth.near_limit_s for record in records)
        found_s = counted.summary(crane).near_limit_ms / 1000
        assert found_s == pytest.approx(true_s, rel=0.05, abs=10.0 * len(records))


def test_the_overworked_crane_stands_out(counted: Counted) -> None:
    """The yard's stories: yard-02 overworked, yard-04 overriding at full reach."""
    fleet = counted.fleet()
    shares = {name: row.near_limit_ms / row.loaded_ms for name, row in fleet.items() if row.loaded_ms}
    assert max(shares, key=shares.__getitem__) in {"yard-02", "yard-04"}
    assert max(fleet.values(), key=lambda row: row.limiter_overrides) == fleet["yard-04"]
    assert fleet["yard-02"].lifts > 1.5 * fleet["yard-01"].lifts


def test_faults_are_paired_as_they_were_raised(counted: Counted) -> None:
    for crane, records in counted.records.items():
        happened = [event for record in records for event in record.events if event.kind is EventKind.FAULT]
        open_codes: dict[str, int] = {}
        expected = 0
        for event in sorted(happened, key=lambda event: (event.at_ms, event.seq)):
            if event.state is EventState.RAISED:
                expected += event.code not in open_codes
                open_codes.setdefault(event.code, event.at_ms)
            else:
                open_codes.pop(event.code, None)
        rows = counted.rows(
            "select f.* from fault_episode f join crane using (crane_id) where name = %s", crane
        )
        assert len(rows) == expected
        still_open = {row["code"]: row["raised_at"] for row in rows if row["cleared_at"] is None}
        assert still_open == {code: utc_of(at_ms) for code, at_ms in open_codes.items()}
        assert counted.summary(crane).open_faults == len(open_codes)


def test_damage_follows_the_true_signal(counted: Counted) -> None:
    """Damage of the comparison weld against the noise-free signal, within 5 %: noise adds small cycles."""
    for crane, records in counted.records.items():
        true = np.concatenate([record.truth.structural_pct for record in records])
        expected = damage.of_ledger(COMPARISON, ledger.count(true, DEFAULT_EDGES)).total
        assert counted.summary(crane).damage_counted == pytest.approx(expected, rel=0.05)
