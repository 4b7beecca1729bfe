"""Why a crane is ruled out, what would change that, what to know about one that fits, and what is the matter with it: remarks."""

from collections.abc import Callable, Iterable, Iterator
from datetime import date
from typing import Any, Final

import numpy as np

from answers.dispatch_fleet import Situation
from domain.crane import Sector
from domain.dispatch_answers import Assumption, CraneState, EntryName, StateCode
from domain.job import ASSUMED_BELOW_HOOK_M, ASSUMED_CLEARANCE_M, LiftJob
from domain.remark import Quantity, Remark
from duty.capacity import SECTORS, Flags
from duty.dispatch import Entry, Matches, Remedy, Ruling
from duty.reactions import plate_area_m2
from duty.sweep import span_of
from words.alerts import finding_words
from words.remarks import remark, sector_words
from words.texts import t

_ASSUMED: Final = (
    "next_outreach",
    "with_rigging",
    "whole_rectangle",
    "at_its_worst",
    "estimates",
    "stiff_plate",
)


def assumptions() -> tuple[Remark, ...]:
    """What every answer of dispatch rests on."""
    return tuple(remark(f"dispatch_assumes.{name}") for name in _ASSUMED)


def assumed(job: LiftJob, found: Matches, seen: Flags) -> tuple[Assumption, ...]:
    """What a question left open, the costliest first: what loses most cranes, then what costs one crane most."""
    costs = []
    for entry in left_open(job):
        column = _COLUMN[entry]
        lost = np.where(seen, found.capacity_if_entered_kg[:, column] - found.capacity_kg, 0.0)
        costs.append(
            Assumption(
                entry=entry,
                cranes_lost=int((seen & found.fit_if_entered[:, column] & ~found.fit).sum()),
                capacity_lost_kg=float(lost.max(initial=0.0)),
                **_left_open(entry),
            )
        )
    costs.sort(key=lambda one: (-one.cranes_lost, -(one.capacity_lost_kg or 0.0)))
    if job.pick is None:
        costs.append(Assumption(entry="pick", cranes_lost=0, capacity_lost_kg=None, **_left_open("pick")))
    return tuple(costs)


def costliest(
    entries: Iterable[EntryName], found: Matches, index: int
) -> tuple[EntryName | None, float | None]:
    """What a question left open that costs one crane most, and its capacity were that entered; None where nothing costs.

    What costs the lift itself, by any condition, comes before what costs capacity alone.
    """
    best: tuple[EntryName | None, float | None] = (None, None)
    least = (False, float(found.capacity_kg[index]))
    for entry in entries:
        column = _COLUMN[entry]
        capacity = float(found.capacity_if_entered_kg[index, column])
        costs = (bool(found.fit_if_entered[index, column]), capacity)
        if costs > least:
            best, least = (entry, capacity), costs
    return best


def left_open(job: LiftJob) -> list[EntryName]:
    """Entries that the question leaves open and that are taken at their worst, or assumed."""
    positions = [job.place] if job.pick is None else [job.pick, job.place]
    entries: list[EntryName] = []
    if len(span_of(job).sectors) > 1:
        vague = [one for one in positions if one.sector in (None, Sector.SIDE)]
        if vague:
            entries.append("sector")
        elif job.way is None:
            entries.append("way")
    if job.spread_left is None or job.spread_right is None:
        entries.append("spread")
    if any(position.hook_height_m is None for position in positions):
        entries.append("hook_height")
    if job.obstacle_height_m is not None:
        entries += ["below_hook"] if job.below_hook_m is None else []
        entries += ["clearance"] if job.clearance_m is None else []
    return entries


_COLUMN: Final[dict[EntryName, Entry]] = {
    "sector": Entry.SECTOR,
    "way": Entry.SECTOR,
    "spread": Entry.SPREAD,
    "hook_height": Entry.HOOK_HEIGHT,
    "below_hook": Entry.BELOW_HOOK,
    "clearance": Entry.CLEARANCE,
}
Reason = Callable[[LiftJob, Matches, int], Remark]
_ASSUMED_M: Final[dict[EntryName, float]] = {
    "below_hook": ASSUMED_BELOW_HOOK_M,
    "clearance": ASSUMED_CLEARANCE_M,
}


def _left_open(entry: EntryName) -> dict[str, Any]:
    values = {"assumed": _length_of(_ASSUMED_M[entry])} if entry in _ASSUMED_M else {}
    return remark(f"left_open.{entry}", **values).model_dump()


def limited_by(found: Matches, index: int, jib_rated_kg: float | None) -> str | None:
    """What holds the capacity of one crane down: the strongest condition of the place, else the chart itself."""
    capacity = found.capacity_kg[index]
    if capacity <= 0:
        return None
    if found.ruling[index] in (Ruling.GROUND, Ruling.TIPS):
        return "ground" if found.ruling[index] == Ruling.GROUND else "stability"
    if found.capacity_any_spread_kg[index] > capacity:
        return "stability"
    if found.capacity_any_sector_kg[index] > capacity:
        return "sector"
    if jib_rated_kg is not None and capacity == jib_rated_kg:
        return "jib"
    return "capacity"


def reasons(job: LiftJob, found: Matches, index: int) -> tuple[Remark, ...]:
    """Why one crane is ruled out, the deciding condition first, then what would change it. Empty where it fits."""
    ruling = Ruling(int(found.ruling[index]))
    if ruling is Ruling.FIT:
        return ()
    return (_RULED[ruling](job, found, index), *_remedies(job, found, index))


def _remedies(job: LiftJob, found: Matches, index: int) -> Iterator[Remark]:
    carries = found.remedy_kg[index]
    if carries[Remedy.SPREAD] > 0:
        yield remark("more_spread", capacity=_capacity_of(carries[Remedy.SPREAD]))
    if carries[Remedy.SECTOR] > 0:
        yield remark("other_sector", capacity=_capacity_of(carries[Remedy.SECTOR]))
    if carries[Remedy.JIB] > 0:
        yield remark("with_jib")


def not_compared(
    job: LiftJob, wind_limit_m_s: float | None, slope_limit_deg: float | None
) -> Iterator[Remark]:
    """Wind and slope of the question for which the crane has no limit entered."""
    if job.wind_m_s is not None and wind_limit_m_s is None:
        yield remark("no_wind_limit")
    if job.slope_deg is not None and slope_limit_deg is None:
        yield remark("no_slope_limit")


def _length_of(metres: float) -> Quantity:
    return Quantity(value=float(metres), unit="m", decimals=1)


def _capacity_of(kg: float) -> Quantity:
    return Quantity(value=float(kg), unit="kg", bound="most")


def _load_of(job: LiftJob) -> Quantity:
    return Quantity(value=job.hook_load_kg, unit="kg", bound="least")


def _spread(job: LiftJob, found: Matches, index: int) -> Remark:
    any_spread = "any spread"
    return remark("ruled.spread", left=job.spread_left or any_spread, right=job.spread_right or any_spread)


def _sector(job: LiftJob, found: Matches, index: int) -> Remark:
    charted = {sector for bit, sector in enumerate(SECTORS) if int(found.charted_sectors[index]) >> bit & 1}
    needed = {SECTORS[one] for one in span_of(job).sectors}
    if not charted:
        return remark("ruled.sector", needed=sector_words(needed))
    missing = sector_words(needed - charted, t("list.or"))
    return remark("ruled.sector_in_part", missing=missing, charted=sector_words(charted))


def _height(job: LiftJob, found: Matches, index: int) -> Remark:
    span = span_of(job)
    near, far = (_length_of(one) for one in span.outreach_m)
    at = [remark("height.at", far=far) if near == far else remark("height.between", near=near, far=far)]
    if span.hook_height_m is None:
        return remark("ruled.height_open", at=at)
    low, high = (_length_of(one) for one in span.hook_height_m)
    heights = [remark("height.to", high=high) if low == high else remark("height.from", low=low, high=high)]
    return remark("ruled.height_open_in_part" if span.any_height else "ruled.height", at=at, heights=heights)


def _capacity(job: LiftJob, found: Matches, index: int) -> Remark:
    capacity, used = found.capacity_kg[index], found.capacity_used_pct[index]
    far = _length_of(_far_m(job))
    if capacity <= 0:
        return remark("ruled.no_capacity", outreach=far)
    rated, load = _capacity_of(capacity), _load_of(job)
    if job.hook_load_kg > capacity:
        return remark("ruled.capacity", load=load, capacity=rated, outreach=far)
    return remark(
        "ruled.planning_limit",
        load=load,
        used=Quantity(value=float(used), unit="%", decimals=1, bound="least"),
        capacity=rated,
        limit=Quantity(value=job.planning_limit_pct, unit="%"),
    )


def _tips(job: LiftJob, found: Matches, index: int) -> Remark:
    outside_m = -float(found.stability_margin_m[index])
    return remark("ruled.tips", outside=Quantity(value=outside_m, unit="m", decimals=2, bound="least"))


def _ground(job: LiftJob, found: Matches, index: int) -> Remark:
    bearing = job.ground_bearing_kpa
    assert bearing is not None  # there is no such ruling without
    pad_kn = float(max(found.pad_left_kn[index], found.pad_right_kn[index]))
    return remark(
        "ruled.ground",
        pressure=Quantity(value=float(found.pad_pressure_kpa[index]), unit="kPa", bound="least"),
        bearing=Quantity(value=bearing, unit="kPa", bound="most"),
        plate=Quantity(value=plate_area_m2(pad_kn, bearing), unit="m2", decimals=2, bound="least"),
    )


def _far_m(job: LiftJob) -> float:
    return job.outreach_m if job.pick is None else max(job.outreach_m, job.pick.outreach_m)


def _near_m(job: LiftJob) -> float:
    return job.outreach_m if job.pick is None else min(job.outreach_m, job.pick.outreach_m)


_RULED: Final[dict[Ruling, Reason]] = {
    Ruling.NO_CHART: lambda job, found, index: remark("ruled.no_chart"),
    Ruling.JIB: lambda job, found, index: remark("ruled.jib", jib=str(job.jib)),
    Ruling.SPREAD: _spread,
    Ruling.SECTOR: _sector,
    Ruling.TOO_NEAR: lambda job, found, index: remark("ruled.too_near", outreach=_length_of(_near_m(job))),
    Ruling.TOO_FAR: lambda job, found, index: remark("ruled.too_far", outreach=_length_of(_far_m(job))),
    Ruling.HEIGHT: _height,
    Ruling.CAPACITY: _capacity,
    Ruling.TIPS: _tips,
    Ruling.GROUND: _ground,
    Ruling.WIND: lambda job, found, index: remark(
        "ruled.wind", wind=Quantity(value=job.wind_m_s or 0.0, unit="m/s", decimals=1)
    ),
    Ruling.SLOPE: lambda job, found, index: remark(
        "ruled.slope", slope=Quantity(value=job.slope_deg or 0.0, unit="deg", decimals=1)
    ),
}


def states_of(situation: Situation, index: int) -> tuple[CraneState, ...]:
    """Everything that is the matter with one crane in the time asked for; the same whatever is asked, and by whom."""
    crane, status = situation.listed.rows[index], situation.status
    found = [_state("open_fault", override=True, fault=code) for code in situation.faults.get(index, ())]
    if situation.assessment_overdue[index]:
        due_on: date = status.assessment_on[index].astype(object)
        within = due_on > situation.first_day(index)
        when = remark("due_on" if within else "overdue_since", day=due_on)
        found.append(_state("assessment_overdue", override=True, when=[when]))
    if (plan := status.overdue.get(index)) is not None:
        found.append(_state("service_overdue", plan=plan))
    if codes := status.findings.get(index):
        titles = ", ".join(finding_words(code).title for code in codes)
        found.append(_state("findings", findings=titles))
    if not status.heard[index]:
        found.append(_state("never_heard"))
    if crane.draft:
        found.append(_state("draft"))
    return tuple(found)


def _state(code: StateCode, *, override: bool = False, **values: date | str | list[Remark]) -> CraneState:
    made = remark(code, **values)
    return CraneState(code=code, values=made.values, text=made.text, needs_override=override)


def come_up_since(
    states: tuple[CraneState, ...], passed: tuple[StateCode, ...], open_faults: tuple[str, ...]
) -> list[CraneState]:
    """States that need an override and were not passed over: `passed` then, with `open_faults` open. Each fault stands for itself."""
    return [
        state
        for state in states
        if state.needs_override
        and (
            state.code not in passed
            or (state.code == "open_fault" and state.values["fault"] not in open_faults)
        )
    ]
