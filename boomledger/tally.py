"""Truth against ledger over many days: lifts, load spectrum factor, damage, stops and overrides, crane by crane."""

from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Final

from rich.box import SIMPLE
from rich.console import Console
from rich.table import Table

from duty import damage, ledger
from duty.details import COMPARISON
from duty.edges import DEFAULT_EDGES
from simulator.record import DayRecord
from store.connection import connect
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

    def __init__(self, cranes: Iterable[str]) -> None:
        self._true = {name: _True() for name in cranes}

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
        table = Table(title="counted / true", title_justify="left", box=SIMPLE)
        table.add_column("crane", no_wrap=True)
        for heading in ("lifts", "kQ off", "damage off", "stops", "overrides", ""):
            table.add_column(heading, no_wrap=True, justify="right")
        passed = True
        for name, true in self._true.items():
            good, row = _compared(true, found[name])
            passed &= good
            table.add_row(name, *row, "ok" if good else "[bold]differs[/bold]")
        console.print(table)
        console.print(EXPLAINED, highlight=False)
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


def _off(true: float, found: float) -> float:
    """Size of the difference as a share of what is true."""
    if true == found:
        return 0.0
    return abs(found - true) / true if true else float("inf")
