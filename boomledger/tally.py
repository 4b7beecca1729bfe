"""Truth against ledger over many days: lifts, load spectrum factor, damage, stops and overrides, crane by crane."""

from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Any, Final

import psycopg
from rich.box import SIMPLE
from rich.console import Console
from rich.table import Table

from duty import damage, ledger
from duty.damage import COMPARISON
from duty.edges import DEFAULT_EDGES
from simulator.record import DayRecord
from simulator.yard import Expectation, YardCrane
from store.connection import connect
from store.duty import FIRST_DAY, LAST_DAY
from store.findings import FINDINGS_READ
from store.summary import CRANE_SUMMARY, CraneSummary

LIFTS_TOLERANCE: Final = 0.01
KQ_TOLERANCE: Final = 0.02
DAMAGE_TOLERANCE: Final = 0.05
EXPLAINED: Final = (
    f"allowed: lifts {LIFTS_TOLERANCE:.0%}, kQ {KQ_TOLERANCE:.0%}, damage of the comparison detail "
    f"{DAMAGE_TOLERANCE:.0%} against the noise-free signal, stops and overrides exact\n"
    "kQ and damage differ by the sensors' noise and last digit, which lift peaks and widen cycles; both are in every "
    "reading here. Truth is taken at the samples of the record, so what a shorter step would have seen between them is in "
    "neither (docs/simulator.md has the figures). Drift, losses of the reading and clocks are left out: a checked "
    "yard has healthy sensors, because such a fault is to be found and not to be tolerated."
)


@dataclass(frozen=True, kw_only=True)
class Part:
    """What is true about one crane-day, small enough to hand from process to process."""

    crane: str
    lifts: int
    peak_cubed_sum: float
    stops: int
    overrides: int
    samples: int
    ledger: ledger.Ledger  # of the noise-free structural percent


def part_of(record: DayRecord) -> Part:
    """The truth of one record, its cycles counted."""
    truth = record.truth
    return Part(
        crane=record.crane,
        lifts=len(truth.lifts),
        peak_cubed_sum=sum((lift.peak_structural_pct / 100) ** 3 for lift in truth.lifts),
        stops=len(truth.limiter_stops_ms),
        overrides=len(truth.limiter_overrides_ms),
        samples=truth.samples,
        ledger=ledger.count(truth.structural_pct, DEFAULT_EDGES),
    )


@dataclass(kw_only=True)
class _True:
    """What is true about one crane, summed over its days."""

    lifts: int = 0
    peak_cubed_sum: float = 0.0
    stops: int = 0
    overrides: int = 0
    samples: int = 0
    ledgers: list[ledger.Ledger] = field(default_factory=list)

    @property
    def kq(self) -> float:
        return self.peak_cubed_sum / self.lifts if self.lifts else 0.0

    @property
    def damage(self) -> float:
        """Of the comparison detail, on the noise-free signal."""
        return (
            float(damage.of_ledger(COMPARISON, ledger.merge_all(self.ledgers)).total) if self.ledgers else 0.0
        )


class Tally:
    """Adds up the truth of crane-days, and compares it with what was counted."""

    def __init__(self, cranes: Iterable[YardCrane]) -> None:
        self._cranes = {crane.name: crane for crane in cranes}
        self._true = {name: _True() for name in self._cranes}

    def add_all(self, parts: Iterable[Part]) -> None:
        """Add crane-days; those of a crane come in order of time."""
        for part in parts:
            true = self._true[part.crane]
            true.lifts += part.lifts
            true.peak_cubed_sum += part.peak_cubed_sum
            true.stops += part.stops
            true.overrides += part.overrides
            true.samples += part.samples
            true.ledgers.append(part.ledger)

    def show(self, database_url: str, console: Console) -> bool:
        """Print the differences; whether all lie within what is allowed."""
        with connect(database_url) as conn:
            found = {name: CRANE_SUMMARY.first(conn, crane=name) for name in self._true}
            codes = {name: _finding_codes(conn, name) for name in self._true}
        table = Table(title="counted / true", title_justify="left", box=SIMPLE)
        table.add_column("crane", no_wrap=True)
        for heading in ("lifts", "kQ off", "damage off", "stops", "overrides", ""):
            table.add_column(heading, no_wrap=True, justify="right")
        cases = Table(title="field cases: counted / true", title_justify="left", box=SIMPLE)
        cases.add_column("crane", no_wrap=True)
        for heading in ("lifts", "sum of cubes off", "found wrong", ""):
            cases.add_column(heading, no_wrap=True, justify="right")
        passed = True
        for name, true in self._true.items():
            expected = self._cranes[name].expected
            good, row = (
                _compared(true, found[name])
                if expected is None
                else _case(true, found[name], codes[name], expected)
            )
            passed &= good
            verdict = "ok" if good else "[bold]differs[/bold]"
            (table if expected is None else cases).add_row(name, *row, verdict)
        console.print(table)
        console.print(EXPLAINED, highlight=False)
        if cases.row_count:
            console.print(cases)
        return passed


def _compared(true: _True, found: CraneSummary | None) -> tuple[bool, tuple[str, ...]]:
    if found is None:
        return true.samples == 0, ("nothing counted", "", "", "", "")
    kq_off = _off(true.kq, found.kq or 0.0)
    damage_off = _off(true.damage, found.damage_counted or 0.0)
    good = (
        _off(true.lifts, found.lifts) <= LIFTS_TOLERANCE
        and kq_off <= KQ_TOLERANCE
        and damage_off <= DAMAGE_TOLERANCE
        and (true.stops, true.overrides) == (found.limiter_stops, found.limiter_overrides)
    )
    return good, (
        *(f"{found.lifts} / {true.lifts}", f"{kq_off:.2%}", f"{damage_off:.2%}"),
        *(f"{found.limiter_stops} / {true.stops}", f"{found.limiter_overrides} / {true.overrides}"),
    )


def _finding_codes(conn: psycopg.Connection[Any], crane: str) -> set[str]:
    """Codes of what is found wrong with a crane, whenever."""
    everything = {"day_from": FIRST_DAY, "day_to": LAST_DAY, "rows": 1000, "sites": None, "code": None}
    after = dict.fromkeys(("after_crane", "after_code", "after_channel"))
    return {row.code for row in FINDINGS_READ.all(conn, crane=crane, **everything, **after)}


def _case(
    true: _True, found: CraneSummary | None, codes: set[str], expected: Expectation
) -> tuple[bool, tuple[str, ...]]:
    """A crane on which something is wrong: its figures as near to the truth as its case says, and that it is found."""
    if found is None:
        return true.samples == 0, ("nothing counted", "", "")
    lifts_off, cubes_off = _off(true.lifts, found.lifts), _off(true.peak_cubed_sum, found.peak_cubed_sum)
    good = expected.lifts is None or lifts_off <= max(expected.lifts, 1 / max(true.lifts, 1))
    good &= expected.cube_sum is None or cubes_off <= expected.cube_sum
    columns = (
        (expected.lifts, f"{found.lifts} / {true.lifts}"),
        (expected.cube_sum, f"{cubes_off:.2%} of {expected.cube_sum:.0%}" if expected.cube_sum else ""),
    )
    good &= set(expected.findings) <= codes
    told = " ".join(sorted(codes)) or "nothing"
    return good, (*(text if bound is not None else "not to be had" for bound, text in columns), told)


def _off(true: float, found: float) -> float:
    """Size of the difference as a share of what is true."""
    if true == found:
        return 0.0
    return abs(found - true) / true if true else float("inf")
