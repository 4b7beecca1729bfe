"""How fast counted duty is made and read.

python benchmarks/analytics.py --json        the last line is one line of JSON

recount_msps          million samples a second, one core, from the database to the ledger of structural percent: read
                      utilisation_pct and limit_pct, set spikes aside, count, make the bytes
recount_vs_read       that over the bare read of the same two channels in the same run
everything_msps       the whole count of a crane-day as the worker does it, 13 channels read: ledger, lifts, levels,
                      circumstances, gaps, contexts; the 24 directions aside
everything_vs_read    that over the bare read of these 13 channels
with_directions_msps  the same with the 24 directions
fleet_1000x5y_ms      the fleet page's query: 1000 cranes, 5 years of day rows, 30 days against the 30 before
fleet_typed_rows_ms   the same with every row made a checked value
life_10y_ms           one crane's life over ten years: read and merge its ledgers, damage, used share, forecast
life_10y_turned_ms    the same for a weld detail that needs the ledgers of 24 directions

Telemetry is simulated and invented. The fleet's day rows are filled by the database with random figures; the ten years
repeat simulated days. Times are medians.
"""

import argparse
import json
import os
import statistics
import sys
import tempfile
import time
from collections.abc import Callable
from datetime import date, timedelta
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

import psycopg

import duty
from analytics import counting, day, recount, samples, summary
from analytics.counting import CountingSettings, CraneEntry, Method, crane_entry
from analytics.samples import CHANNELS, LocalDay
from boomledger.postgres import EmbeddedPostgres
from boomledger.yard import register, write_history
from duty import damage, directions, ledger, peaks
from duty.damage import COMPARISON
from duty.life_status import Totals, life_status
from duty.statics import structural_pct
from simulator.generate import generate
from simulator.yard import load_yard
from store import events, segments
from store.connection import connect
from store.duty import LIFE_READ, WEEKLY_USE
from store.migrate import migrate
from store.sql import query
from store.summary import CRANE_SUMMARY, FLEET_PERIOD

FIRST_DAY = date(2026, 1, 5)
LIFT_PART = bytes(1200)  # in place of what a day knows of its lifts
LEDGER_CHANNELS = ("utilisation_pct", "limit_pct")


def seconds(repeats: int, work: Callable[[], object]) -> float:
    """Median time of a call, after one call to warm up."""
    work()
    taken = []
    for _ in range(repeats):
        started = time.perf_counter()
        work()
        taken.append(time.perf_counter() - started)
    return statistics.median(taken)


def measure_recount(url: str, days: int, messages_of: int, repeats: int) -> dict[str, float]:
    """Rates of reading and counting the simulated days of one crane."""
    yard = load_yard(healthy=True)
    busy = yard.crane("yard-02")
    register(url, yard, FIRST_DAY)
    records = generate([busy], FIRST_DAY, days, dt_ms=100, samples_per_message=messages_of)
    written = write_history(url, records)
    with connect(url, autocommit=True) as conn:
        conn.execute("analyze")
        row = conn.execute("select crane_id from crane where name = %s", [busy.name]).fetchone()
        assert row is not None
        entry = crane_entry(conn, row[0])
        local_days = [LocalDay(FIRST_DAY + timedelta(days=i), entry.zone) for i in range(days)]
        settings = CountingSettings()
        found = {
            "read_msps": seconds(repeats, lambda: read_all(conn, entry, local_days, LEDGER_CHANNELS)),
            "recount_msps": seconds(repeats, lambda: count_ledgers(conn, entry, local_days, settings)),
            "read_everything_msps": seconds(repeats, lambda: read_all(conn, entry, local_days, CHANNELS)),
            "everything_msps": seconds(
                repeats, lambda: count_everything(conn, entry, local_days, settings, turned=False)
            ),
            "with_directions_msps": seconds(
                repeats, lambda: count_everything(conn, entry, local_days, settings, turned=True)
            ),
        }
    rates = {name: written.samples / taken / 1e6 for name, taken in found.items()}
    return {
        "samples": written.samples,
        **rates,
        "recount_vs_read": rates["recount_msps"] / rates["read_msps"],
        "everything_vs_read": rates["everything_msps"] / rates["read_everything_msps"],
    }


def read_all(
    conn: psycopg.Connection[Any], entry: CraneEntry, days: list[LocalDay], channels: tuple[str, ...]
) -> None:
    """The bare read."""
    for each in days:
        segments.read(conn, entry.crane_id, each.start_at, each.end_at, channels)


def count_ledgers(
    conn: psycopg.Connection[Any], entry: CraneEntry, days: list[LocalDay], settings: CountingSettings
) -> None:
    """The ledger of structural percent of every day."""
    for each in days:
        stored = segments.read(conn, entry.crane_id, each.start_at, each.end_at, LEDGER_CHANNELS)
        at_ms = stored.at_ms()
        used, limit = (peaks.lasting(at_ms, stored.channels[name])[0] for name in LEDGER_CHANNELS)
        structural = structural_pct(used, limit)
        ledger.to_bytes(ledger.count(structural, settings.edges))


def count_everything(
    conn: psycopg.Connection[Any],
    entry: CraneEntry,
    days: list[LocalDay],
    settings: CountingSettings,
    *,
    turned: bool,
) -> None:
    """Everything about every day, as the worker counts it."""
    for each in days:
        stored = segments.read(conn, entry.crane_id, each.start_at, each.end_at, CHANNELS)
        happened = events.read(conn, entry.crane_id, each.start_at, each.end_at)
        day.count(
            each,
            entry.crane.type,
            samples.of_day(stored, each),
            happened,
            frozenset,
            settings,
            turned=turned,
        )


def measure_life(url: str, years: int, repeats: int) -> dict[str, float]:
    """Time of one crane's life over ten years that repeat the simulated days."""
    with connect(url, autocommit=True) as conn:
        method = counting.add(conn, CountingSettings())
        entry = fill_years(conn, method, years)
        return {
            f"life_{years}y_ms": 1000
            * seconds(repeats, lambda: read_life(conn, entry, method, turned=False)),
            f"life_{years}y_turned_ms": 1000
            * seconds(repeats, lambda: read_life(conn, entry, method, turned=True)),
        }


def fill_years(conn: psycopg.Connection[Any], method: Method, years: int) -> CraneEntry:
    """Day rows for every day of ten years from counted ones, and the months and years merged from them."""
    row = conn.execute("select crane_id from crane where name = 'yard-02'").fetchone()
    assert row is not None
    entry = crane_entry(conn, row[0])
    keys = {"crane_id": entry.crane_id, "counting_id": method.counting_id}
    first = FIRST_DAY.replace(year=FIRST_DAY.year - years, day=1)
    templates = [
        each
        for each in (LocalDay(FIRST_DAY + timedelta(days=i), entry.zone) for i in range(7))
        if segments.read(conn, entry.crane_id, each.start_at, each.end_at, LEDGER_CHANNELS).n.size
    ]
    for number, each in enumerate(templates):
        stored = segments.read(conn, entry.crane_id, each.start_at, each.end_at, CHANNELS)
        counted = day.count(
            each, entry.crane.type, samples.of_day(stored, each), [], frozenset, method.settings
        )
        conn.execute(
            "insert into span_ledger select %(crane_id)s, %(counting_id)s, 'day', d::date, d::date, %(samples)s,"
            " %(ledger)s, %(directions)s, %(tallies)s, %(circumstances)s"
            " from generate_series(%(first)s::date, %(last)s::date, interval '1 day') d"
            " where extract(doy from d)::int %% %(of)s = %(number)s",
            {
                **keys,
                **{name: getattr(counted, name) for name in ("samples", "ledger", "directions")},
                **{name: getattr(counted, name) for name in ("tallies", "circumstances")},
                "first": first,
                "last": first.replace(year=first.year + years) - timedelta(days=1),
                "of": len(templates),
                "number": number,
            },
        )
    for year in range(first.year, first.year + years):
        recount.merge_spans(conn, keys, [date(year, month, 1) for month in range(1, 13)], method.settings)
    fill_figures(conn, method, entry.crane_id, first, years)
    conn.execute("insert into crane_summary (crane_id) values (%s) on conflict do nothing", [entry.crane_id])
    summary.refresh(conn, entry, method)
    return entry


def fill_figures(
    conn: psycopg.Connection[Any], method: Method, crane_id: int, first: date, years: int
) -> None:
    """Random day figures of one crane, every day of some years."""
    conn.execute(
        "insert into day_figure (crane_id, counting_id, day, time_zone, day_start_at, day_end_at, first_at, last_at,"
        " samples, recorded_ms, working_ms, loaded_ms, near_limit_ms, lifts, peak_cubed_sum, warnings, limiter_stops,"
        " lift_part)"
        " select %s, %s, d::date, 'UTC', d, d + interval '1 day', d, d + interval '5 hours', 180000, 18000000,"
        " 16000000, 4000000 + (random() * 1e6)::int, (random() * 2e5)::int, (40 + random() * 40)::int,"
        " 4 + random() * 4, (random() * 3)::int, (random() * 1.2)::int, %s"
        " from generate_series(%s::date, %s::date, interval '1 day') d",
        [
            crane_id,
            method.counting_id,
            LIFT_PART,
            first,
            first.replace(year=first.year + years) - timedelta(days=1),
        ],
    )


def read_life(conn: psycopg.Connection[Any], entry: CraneEntry, method: Method, *, turned: bool) -> None:
    """What the life page computes: damage of a detail, used share, date of being spent."""
    stored = LIFE_READ.all(conn, crane=entry.crane.name, directions=turned)
    if turned:
        around = directions.merge_all(
            [directions.from_bytes(s.directions) for s in stored if s.directions is not None]
        )
        damage.by_direction(COMPARISON, around)
    damage.of_ledger(COMPARISON, ledger.merge_all([ledger.from_bytes(each.ledger) for each in stored]))
    found = CRANE_SUMMARY.all(conn, crane=entry.crane.name)[0]
    weeks = WEEKLY_USE.all(conn, crane_id=entry.crane_id, counting_id=method.counting_id)
    life_status(
        entry.crane,
        Totals(
            lifts=found.lifts,
            cube_sum=found.peak_cubed_sum,
            recorded_ms=found.recorded_ms,
            missing_ms=found.missing_ms,
            weeks={week.week: week.peak_cubed_sum for week in weeks},
            last_day=weeks[-1].last_day,
        ),
    )


def measure_fleet(url: str, count: int, years: int, repeats: int) -> dict[str, float]:
    """Time of the fleet page's query."""
    last = FIRST_DAY.replace(year=FIRST_DAY.year, day=1) - timedelta(days=1)
    first = last.replace(year=last.year - years) + timedelta(days=1)
    with connect(url, autocommit=True) as conn:
        method = counting.add(conn, CountingSettings())
        conn.execute("truncate crane_summary, day_figure, span_ledger")
        conn.execute(
            "insert into crane (name, site_id, type_id, registered_at, spec)"
            " select 'bench-' || i, site_id, type_id, registered_at, spec"
            " from (select * from crane order by crane_id limit 1) one, generate_series(1, %s) i",
            [count - 12],
        )
        for (crane_id,) in conn.execute("select crane_id from crane").fetchall():
            fill_figures(conn, method, crane_id, first, years)
        conn.execute(
            "insert into crane_summary (crane_id, counting_id, counted_at, used_share, coverage, f1)"
            " select crane_id, %s, now(), random(), 1, 1 from crane",
            [method.counting_id],
        )
        conn.execute("vacuum analyze")
        cranes = [crane_id for (crane_id,) in conn.execute("select crane_id from crane").fetchall()]
        period = {"day_from": last - timedelta(days=29), "day_to": last, "crane_ids": cranes}
        assert len(FLEET_PERIOD.all(conn, **period)) == count
        return {
            f"fleet_{count}x{years}y_ms": 1000
            * seconds(repeats, lambda: conn.execute(query(FLEET_PERIOD.name), period).fetchall()),
            "fleet_typed_rows_ms": 1000 * seconds(repeats, lambda: FLEET_PERIOD.all(conn, **period)),
        }


def main() -> None:
    """Run every part on an embedded server of its own, or on the server that the environment names."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--json", action="store_true", help="end with one line of JSON")
    parser.add_argument("--days", type=int, default=21, help="days of one busy crane to recount")
    parser.add_argument("--messages-of", type=int, default=300, help="samples in a message; fewer cost more")
    parser.add_argument("--cranes", type=int, default=1000)
    parser.add_argument("--years", type=int, default=5, help="years of day rows of every crane of the fleet")
    parser.add_argument("--life-years", type=int, default=10)
    parser.add_argument("--repeats", type=int, default=5)
    chosen = parser.parse_args()
    found: dict[str, float] = {}
    duty.warm_up()
    with tempfile.TemporaryDirectory(prefix="boomledger-bench-") as name:
        folder = Path(name)
        folder.chmod(0o755)  # under root the server runs as another account
        server = EmbeddedPostgres(folder / "postgres", {"fsync": "off"})
        try:
            url = server.start()
            migrate(url)
            found |= measure_recount(url, chosen.days, chosen.messages_of, chosen.repeats)
            found |= measure_life(url, chosen.life_years, chosen.repeats)
            found |= measure_fleet(url, chosen.cranes, chosen.years, chosen.repeats)
        finally:
            server.stop()
    found["load_average"] = os.getloadavg()[0]
    for key, value in found.items():
        print(f"{key:24} {value:12.3f}")
    if chosen.json:
        print(json.dumps({key: round(value, 4) for key, value in found.items()}))


if __name__ == "__main__":
    main()
