"""Damage of weld details: of all of a crane in its life, and where that of one comes from."""

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import replace
from datetime import date
from functools import partial
from typing import Any, Final

import numpy as np
from anyio import to_thread
from psycopg import AsyncConnection

from answers.counted import beyond_answer, merged_directions, merged_ledger, rows_of
from domain.detail import DetailSpec
from domain.errors import NotFound
from domain.life_answers import (
    CurvePoint,
    DamageAnswer,
    DamageCell,
    DamageStep,
    DetailDamage,
    DirectionDamage,
    UnsureFigure,
)
from domain.maintenance import DetailEntry
from domain.moments import DayRange
from domain.remark import Quantity, Remark, count
from duty import damage, reading, uncertainty
from duty.damage import COMPARISON, Damage, Detail, largest_half
from duty.directions import DirectionLedger
from duty.geometry import Floats
from duty.ledger import Ledger
from duty.life_records import changed_details_in
from duty.life_status import LifeStatus
from duty.reading import Cycles, ResidueRule
from duty.sn import SnCurve
from store import duty
from store.details import DETAILS_OF
from store.duty import Span
from store.life_records import life_records
from store.reading import CraneInScope
from words.remarks import remark
from words.texts import cautions

CELL_PCT: Final = 5.0
FEWEST_CYCLES: Final = 1e3
MOST_CYCLES: Final = 1e9


async def damage_of(
    conn: AsyncConnection[Any], crane: CraneInScope, name: str | None, chosen: DayRange, rule: ResidueRule
) -> DamageAnswer:
    """Where the damage of one weld detail comes from over whole local days; of the default one where none is named.

    Over the whole life it begins with the day on which the detail was changed. Raises NotFound for a name that does not apply.
    """
    rows = await DETAILS_OF.all_async(conn, crane=crane.name)
    found = rows[0] if rows and name is None else next((row for row in rows if row.name == name), None)
    if name is not None and found is None and not (name == COMPARISON.name and not rows):
        raise NotFound(f"no weld detail {name!r} applies to {crane.name}: see its details")
    weld = COMPARISON if found is None else damage.detail_of(found.name, found.spec)
    changed_on = changed_details_in(await life_records(conn, crane.crane_id)).get(weld.name)
    whole = chosen.first == duty.FIRST_DAY
    first = changed_on if whole and changed_on is not None else chosen.first
    spans = await duty.spans(conn, crane.name, first, chosen.last, directions=True)
    answer = await to_thread.run_sync(damage_answer, crane.name, weld, spans, rule)
    days = {} if whole else {"day_from": chosen.first, "day_to": chosen.last}
    return answer.model_copy(update={"counted_since": changed_on, **days})


def damage_of_details(
    rows: Sequence[DetailEntry],
    spans: Sequence[Span],
    stands: LifeStatus,
    later: Mapping[date, Sequence[Span]],
) -> tuple[DetailDamage, ...]:
    """Comparative damage of each weld detail, counted and not counted; of the assumed one while none is entered.

    later: counts since the days on which details were changed: their sums begin again there.
    """
    merged: dict[date | None, tuple[Ledger, DirectionLedger | None]] = {
        day: (merged_ledger(part), merged_directions(part)) for day, part in [(None, spans), *later.items()]
    }
    if not rows:
        plain, _ = merged[None]
        one = _detail_answer(COMPARISON, partial(_plainly, plain), stands, [plain])
        return (one.model_copy(update={"assumed": True}),)
    found = []
    for row in rows:
        detail, since = damage.detail_of(row.name, row.spec), stands.counted_since(row.name)
        plain, turned = merged[since]
        if detail.direction == "none":
            found.append(_detail_answer(detail, partial(_plainly, plain), stands, [plain], row.spec, since))
        elif (
            turned is None and since is not None and not later.get(since)
        ):  # nothing recorded since its change
            found.append(_detail_answer(detail, _nothing, stands, [], row.spec, since))
        elif turned is not None:
            around = partial(_in_directions, turned)
            answer = _detail_answer(detail, around, stands, turned.ledgers, row.spec, since)
            found.append(answer.model_copy(update={"by_direction": around_base(detail, turned)}))
    return tuple(found)


def around_base(detail: Detail, turned: DirectionLedger) -> tuple[DirectionDamage, ...]:
    """Damage of a weld by its direction around the base."""
    found = damage.by_direction(detail, turned)
    return rows_of(DirectionDamage, direction_deg=found.phi_deg, damage=found.total)


def around_base_wanted(row: DetailEntry) -> bool:
    """Whether a weld detail is damaged by where around the base it sits."""
    return row.spec.direction != "none"


def _plainly(plain: Ledger, weld: Detail) -> Damage:
    return damage.of_ledger(weld, plain)


def _nothing(weld: Detail) -> Damage:
    return damage.of_cycles(weld, Cycles(*(np.empty(0) for _ in range(3))))


def _in_directions(turned: DirectionLedger, weld: Detail) -> Damage:
    return damage.of_directions(weld, turned)


def unsure_answer(found: uncertainty.Unsure) -> UnsureFigure:
    """A range for an answer."""
    return UnsureFigure.model_validate(found, from_attributes=True)


def _detail_answer(
    detail: Detail,
    damage_of: Callable[[Detail], Damage],
    stands: LifeStatus,
    ledgers: Sequence[Ledger],
    spec: DetailSpec | None = None,
    since: date | None = None,
) -> DetailDamage:
    done = damage_of(detail)
    carried = stands.carried_damage(done.total, detail.allowed_sum, changed=since is not None)
    low, high = damage.failure_range(done.total + carried)
    return DetailDamage(
        detail=detail.name,
        damage=done.total + carried,
        damage_counted=done.total,
        damage_carried=carried,
        counted_since=since,
        allowed_sum=detail.allowed_sum,
        unsure=_unsure(detail, damage_of, stands, carried, spec),
        damage_low=low,
        damage_high=high,
        equivalent_range_mpa=done.equivalent_mpa,
        curve=f"{detail.curve.name} ({detail.curve.source})",
        gamma_mf=detail.gamma_mf,
        direction_deg=done.phi_deg,
        beyond=beyond_answer(ledgers),
    )


def _unsure(
    detail: Detail,
    damage_of: Callable[[Detail], Damage],
    stands: LifeStatus,
    carried: float,
    spec: DetailSpec | None,
) -> UnsureFigure:
    def counted_at(factor: float) -> float:
        return damage_of(replace(detail, mpa_per_pct=factor * detail.mpa_per_pct)).total

    errors = (None, None) if spec is None else (spec.mpa_error_pct, spec.sn_scatter_log10)
    found = uncertainty.of_damage(stands.crane, counted_at, carried, stands.factor.f1, *errors, stands.bias)
    return unsure_answer(found)


def damage_answer(crane: str, weld: Detail, spans: Sequence[Span], rule: ResidueRule) -> DamageAnswer:
    """Everything about the damage of one weld over counted spans."""
    turned = merged_directions(spans)
    counted, done, ledgers = _counted(weld, spans, turned, rule)
    steps = _steps(weld, counted)
    knee = weld.curve.knees_mpa[-1]
    around, note = _around(weld, turned)
    return DamageAnswer(
        cautions=cautions("duty"),
        crane=crane,
        day_from=spans[0].first_day if spans else duty.FIRST_DAY,
        day_to=spans[-1].last_day if spans else duty.FIRST_DAY,
        detail=weld.name,
        assumed=weld is COMPARISON,
        damage=done.total,
        allowed_sum=weld.allowed_sum,
        equivalent_range_mpa=done.equivalent_mpa,
        curve=weld.curve.name,
        curve_source=weld.curve.source,
        gamma_mf=weld.gamma_mf,
        mpa_per_pct=weld.mpa_per_pct,
        direction_deg=done.phi_deg,
        residue_rule=rule,
        beyond=beyond_answer(ledgers),
        curve_points=curve_points(weld.curve, weld.gamma_mf),
        cut_off_mpa=knee if knee > 0 else None,
        steps=steps,
        cells=_cells(counted, done),
        around_base=around,
        around_base_note=note,
        remarks=tuple(_remarks(weld, done, steps)),
    )


def _counted(
    weld: Detail, spans: Sequence[Span], turned: DirectionLedger | None, rule: ResidueRule
) -> tuple[Cycles, Damage, Sequence[Ledger]]:
    """Cycles, their damage, and the ledgers that these rest on."""
    if weld.direction == "none":
        merged = merged_ledger(spans)
        counted = reading.cycles(merged, rule)
        return counted, damage.of_cycles(weld, counted), [merged]
    if turned is None:
        counted = Cycles(*(np.empty(0) for _ in range(3)))
        return counted, damage.of_cycles(weld, counted), []
    done = damage.of_directions(weld, turned, rule)
    place = int(np.argmin(np.abs(turned.phi_deg - (done.phi_deg or 0.0))))
    return reading.cycles(turned.ledgers[place], rule), done, turned.ledgers


def curve_points(curve: SnCurve, gamma_mf: float) -> tuple[CurvePoint, ...]:
    """Points of a curve from FEWEST_CYCLES to MOST_CYCLES, its knees among them; level beyond the last branch."""
    knees = [end for _, end in curve.branches if FEWEST_CYCLES < end < MOST_CYCLES]
    cycles: Floats = np.unique(np.concatenate([np.geomspace(FEWEST_CYCLES, MOST_CYCLES, 49), knees]))
    sizes = curve.range_at(cycles)
    return rows_of(CurvePoint, cycles=cycles, range_mpa=sizes, design_range_mpa=sizes / gamma_mf)


def _steps(weld: Detail, counted: Cycles) -> tuple[DamageStep, ...]:
    stairs = reading.range_spectrum(counted)
    sizes = weld.range_mpa(stairs.range_pct)
    done = damage.miner(sizes, stairs.count, weld.curve, weld.gamma_mf)
    return rows_of(
        DamageStep,
        range_pct=stairs.range_pct,
        range_mpa=sizes,
        cycles=stairs.count,
        cumulative=stairs.cumulative,
        damage=done,
        share=_share(done, float(done.sum())),
    )


def _share(done: Floats, total: float) -> Floats:
    return done / total if total > 0 else np.zeros_like(done)


def _cells(counted: Cycles, done: Damage) -> tuple[DamageCell, ...]:
    first = np.floor(counted.low_pct.min(initial=0.0) / CELL_PCT)
    past = np.floor(counted.high_pct.max(initial=0.0) / CELL_PCT) + 1
    at = CELL_PCT * np.arange(first, past + 1)
    cycles = reading.grid(counted.low_pct, counted.high_pct, counted.count, at, at)
    harm = reading.grid(counted.low_pct, counted.high_pct, done.by_cell, at, at)
    low, high = np.nonzero(cycles > 0)
    return rows_of(
        DamageCell,
        low_from_pct=at[low],
        high_from_pct=at[high],
        width_pct=np.full(low.size, CELL_PCT),
        cycles=cycles[low, high],
        damage=harm[low, high],
        share=_share(harm[low, high], done.total),
    )


def _around(weld: Detail, turned: DirectionLedger | None) -> tuple[tuple[DirectionDamage, ...], Remark]:
    if turned is None:
        return (), remark("damage.no_slewing")
    note = "damage.where_it_sits" if weld.direction != "none" else "damage.at_the_base"
    return around_base(weld, turned), remark(note)


def _remarks(weld: Detail, done: Damage, steps: Sequence[DamageStep]) -> Iterator[Remark]:
    if done.total <= 0:
        yield remark("damage.none")
        return
    telling = steps[: largest_half([step.share for step in steps])]
    yield remark(
        "damage.half",
        cycles=count(sum(step.cycles for step in telling)),
        all=count(sum(step.cycles for step in steps)),
        least=Quantity(value=telling[-1].range_mpa, unit="MPa"),
    )
    if weld is COMPARISON:
        yield remark("damage.assumed")
