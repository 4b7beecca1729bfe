"""Under what circumstances a crane comes near its limit: classes with their share of near-limit time, and words for it."""

from collections.abc import Iterable, Sequence
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from answers.counted import merged_tallies
from domain.channels import Mode
from domain.fleet_answers import Confident
from domain.near_limit import Circumstance, MassClass, ReachCell
from domain.remark import Quantity, Remark
from domain.units import ms_to_s
from duty import circumstances, rates
from duty.circumstances import HEIGHT_M, OUTREACH_M, SPREADS, Circumstances
from duty.levels import NEAR_LIMIT_PCT, SLEW_SECTORS, Tallies, near_limit_by_mode_ms
from store.duty import LiftPeak, Span
from words.remarks import remark

MASS_STEPS_KG: Final = (100.0, 250.0, 500.0, 1000.0, 2000.0, 5000.0)
MOST_MASS_CLASSES: Final = 16
MOST_REASONS: Final = 5
Ints = NDArray[np.int64]


def circumstances_of(spans: Sequence[Span], peaks: Sequence[LiftPeak]) -> dict[str, Any]:
    """Fields of a NearLimitAnswer out of counted spans and lifts."""
    tallied = merged_tallies(spans)
    found = circumstances.merge_all(circumstances.from_bytes(span.circumstances) for span in spans)
    parts = {
        "sectors": _sectors(tallied),
        "stabilisers": _stabilisers(found),
        "hours": _hours(found),
        "modes": _modes(tallied),
    }
    return {
        **parts,
        "reach": _reach(found),
        "masses": mass_classes(peaks),
        "reasons": reasons(parts),
    }


def _classes(
    names: Iterable[str], edges: Sequence[tuple[float | None, float | None]], all_ms: Ints, near_ms: Ints
) -> tuple[Circumstance, ...]:
    whole, near_whole = int(all_ms.sum()), int(near_ms.sum())
    rows = []
    for name, (low, high), time, near in zip(names, edges, all_ms.tolist(), near_ms.tolist(), strict=True):
        if time == 0:
            continue
        rows.append(
            Circumstance(
                name=name,
                low=low,
                high=high,
                recorded_s=ms_to_s(time),
                near_limit_s=ms_to_s(near),
                share_pct=100 * near / time,
                weight=(near / near_whole) / (time / whole) if near_whole else None,
            )
        )
    return tuple(rows)


def _sectors(found: Tallies) -> tuple[Circumstance, ...]:
    step = 360.0 / SLEW_SECTORS
    edges = [(i * step, (i + 1) * step) for i in range(SLEW_SECTORS)]
    names = [f"{low:g} to {high:g}°" for low, high in edges]
    return _classes(names, edges, found.area_ms.sum(axis=1), found.area_near_limit_ms.sum(axis=1))


def _stabilisers(found: Circumstances) -> tuple[Circumstance, ...]:
    names = [f"{left}/{right}" for left in SPREADS for right in SPREADS]
    return _classes(
        names, [(None, None)] * len(names), found.spread_ms[0].ravel(), found.spread_ms[1].ravel()
    )


def _hours(found: Circumstances) -> tuple[Circumstance, ...]:
    edges = [(float(hour), hour + 1.0) for hour in range(24)]
    names = [f"{hour:02d}:00 to {hour + 1:02d}:00" for hour in range(24)]
    return _classes(names, edges, found.hour_ms[0], found.hour_ms[1])


def _modes(found: Tallies) -> tuple[Circumstance, ...]:
    names = [*(mode.name.lower() for mode in Mode), "unknown"]
    return _classes(
        names, [(None, None)] * len(names), found.utilisation_ms.sum(axis=1), near_limit_by_mode_ms(found)
    )


def _reach(found: Circumstances) -> tuple[ReachCell, ...]:
    return tuple(
        ReachCell(
            outreach_from_m=float(OUTREACH_M[i]),
            hook_height_from_m=float(HEIGHT_M[j]),
            recorded_s=ms_to_s(int(found.reach_ms[0, i, j])),
            near_limit_s=ms_to_s(int(found.reach_ms[1, i, j])),
        )
        for i, j in np.argwhere(found.reach_ms[0]).tolist()
    )


def mass_classes(peaks: Sequence[LiftPeak]) -> tuple[MassClass, ...]:
    """Lifts by mass in equal classes of a round width; those of unknown mass last."""
    known = [peak for peak in peaks if peak.mass_kg is not None]
    largest = max((peak.mass_kg or 0.0 for peak in known), default=0.0)
    step = next((step for step in MASS_STEPS_KG if largest / step < MOST_MASS_CLASSES), MASS_STEPS_KG[-1])
    place = [int(max(peak.mass_kg or 0.0, 0.0) // step) for peak in known]
    rows = []
    for i in sorted(set(place)):
        of = [peak for peak, at in zip(known, place, strict=True) if at == i]
        rows.append(_mass_class(of, i * step, (i + 1) * step))
    unknown = [peak for peak in peaks if peak.mass_kg is None]
    return (*rows, *((_mass_class(unknown, None, None),) if unknown else ()))


def _mass_class(of: Sequence[LiftPeak], low: float | None, high: float | None) -> MassClass:
    near = sum(peak.peak_utilisation_pct >= NEAR_LIMIT_PCT for peak in of)
    share = rates.share(near, len(of))
    return MassClass(
        mass_from_kg=low,
        mass_to_kg=high,
        lifts=len(of),
        near_limit_lifts=near,
        share=Confident(value=share.value, low=share.low, high=share.high, enough=share.enough),
    )


def reasons(parts: dict[str, tuple[Circumstance, ...]]) -> tuple[Remark, ...]:
    """Where near-limit time gathers: classes with a fair part of it, and more of it than of all time."""
    telling = []
    for kind, rows in parts.items():
        near_whole = sum(row.near_limit_s for row in rows)
        for row in rows:
            if near_whole == 0 or row.weight is None:
                continue
            part = row.near_limit_s / near_whole
            if circumstances.telling(part, row.weight):
                telling.append((part * row.weight, kind, part, row))
    telling.sort(key=lambda one: (-one[0], one[1], one[3].name))
    return tuple(
        remark(
            f"near_limit.{kind}",
            part=Quantity(value=100 * part, unit="%"),
            name=row.name,
            weight=Quantity(value=row.weight or 0.0, unit="1", decimals=1),
        )
        for _, kind, part, row in telling[:MOST_REASONS]
    )
