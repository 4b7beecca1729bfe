"""Which cranes can take a lift, in which configuration, with how much headroom, and why the others cannot.

Everything is read on the safe side: the chart at the next larger outreach, the heaviest boom pose, the worst point
of the sweep, the largest pad force, the worst sector that the job could need, the narrowest spread and every charted
hook height where none is given. Every sweep between two points is taken as the whole rectangle of outreach and hook height between them, in
every sector on the way, so that whatever path the operator takes is covered.

    capacity used = 100 * (load + rigging) / rated capacity, compared with the planning limit
    headroom      = planning limit - capacity used, and the mass that brings it to 0
    structural    = 100 * (boom moment + load moment) / full structural rating, for the life it costs
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, fields
from enum import IntEnum

import numpy as np

from domain.job import USUAL_HOOK_HEIGHT_M, LiftJob
from duty.capacity import SECTORS, SPREAD_RANK, Flags, Floats, Ints
from duty.conditions import Ruling as Ruling
from duty.conditions import Tried, blocked_by_weather, charted_sectors, jib_as_wanted, try_sectors
from duty.fleet import Fleet, largest_by_variant, last_largest
from duty.footing import STEP_KG, best_standing, standing
from duty.sweep import Span, if_named, span_of


class Remedy(IntEnum):
    """A condition that alone keeps a crane out: opened, the crane would fit."""

    SPREAD = 0
    SECTOR = 1
    JIB = 2


class Entry(IntEnum):
    """What a question may leave open, and what that costs is told of."""

    SECTOR = 0  # the sectors of its points, or the way between them
    SPREAD = 1
    HOOK_HEIGHT = 2
    BELOW_HOOK = 3
    CLEARANCE = 4


@dataclass(frozen=True, kw_only=True)
class Matches:
    """The answer for every crane of a fleet; arrays by crane."""

    fit: Flags
    ruling: Ints  # Ruling
    configuration: Ints  # the best one, -1 where none covers the lift
    capacity_kg: Floats  # rated capacity there; 0 where none covers the lift
    capacity_used_pct: Floats  # hook load over rated capacity; inf likewise
    headroom_pct: Floats  # planning limit less capacity_used_pct
    headroom_kg: Floats  # mass that could be added up to the planning limit
    expected_utilisation_pct: Floats  # what the operator would see, with the booms; NaN where none covers
    structural_pct: Floats  # moment over the full structural rating; NaN likewise
    pad_left_kn: Floats  # upper bound, NaN likewise
    pad_right_kn: Floats
    pad_pressure_kpa: Floats  # under the more loaded pad or its plate
    stability_margin_m: Floats
    capacity_any_spread_kg: Floats  # the same lift with every stabiliser spread allowed
    capacity_any_sector_kg: Floats  # the same lift in the best sector of all
    capacity_if_entered_kg: (
        Floats  # (crane, Entry): the same lift, were that entered as the crane likes it best
    )
    fit_if_entered: Flags  # (crane, Entry): a crane that is out would fit then, tipping and ground included
    charted_sectors: Ints  # bit i: a chart of the best covered set-up holds in SECTORS[i]
    remedy_kg: (
        Floats  # (crane, Remedy): what a crane that is out would carry in a set-up that fits; 0 without one
    )


def match(fleet: Fleet, job: LiftJob) -> Matches:
    """Match one lift against every crane. Adding a crane changes no other crane's answer.

    Every configuration that the job allows is tried through all conditions; of those that come farthest the one with
    the largest capacity is answered, among equals the widest spread, without jib. Raises InvalidInput as `span_of`.
    """
    span = span_of(job)
    by_sector = try_sectors(fleet, job, span)
    tried = by_sector.in_all(span.sectors)
    jib = jib_as_wanted(fleet, job)
    room = _room(fleet, job, span, jib, tried)
    ruling = np.where(jib, np.where(room, tried.ruling, Ruling.SPREAD), Ruling.JIB)
    usable = np.where(jib & room, tried.capacity_kg, 0.0)
    ruled = largest_by_variant(fleet, ruling, empty=Ruling.NO_CHART)
    best, found, ruled = best_standing(fleet, job, span, ruling, usable, ruled)
    crane = fleet.crane_variant
    weather = blocked_by_weather(fleet, job)
    calm = (weather == Ruling.FIT)[:, None]
    out = (ruled < Ruling.FIT)[fleet.configuration_variant] if by_sector.ruling.size else jib
    here = _Opened(jib & room, ((span, tried),))
    any_spread, any_sector = _Opened(jib, here.ways), _any_sector(span, by_sector, here)
    fitting = [
        _fitting_kg(fleet, job, one, out) for one in (any_spread, any_sector, _Opened(room, here.ways))
    ]
    any_spread_kg = _most_kg(fleet, any_spread)
    capacity_if, fit_if = _if_entered(fleet, job, by_sector, here, out)
    if job.spread_left is None or job.spread_right is None:
        capacity_if[:, Entry.SPREAD], fit_if[:, Entry.SPREAD] = any_spread_kg, fitting[0] > 0
    capacity = found.capacity_kg
    with np.errstate(divide="ignore"):
        used_pct = 100.0 * job.hook_load_kg / capacity
    ruling_by_crane = np.where(ruled[crane] == Ruling.FIT, weather, ruled[crane])
    return Matches(
        fit=ruling_by_crane == Ruling.FIT,
        ruling=ruling_by_crane,
        configuration=best[crane],
        capacity_kg=capacity[crane],
        capacity_used_pct=used_pct[crane],
        headroom_pct=(job.planning_limit_pct - used_pct)[crane],
        headroom_kg=(capacity * job.planning_limit_pct / 100.0 - job.hook_load_kg)[crane],
        expected_utilisation_pct=found.utilisation_pct[crane],
        structural_pct=found.structural_pct[crane],
        pad_left_kn=found.pads.left_kn[crane],
        pad_right_kn=found.pads.right_kn[crane],
        pad_pressure_kpa=found.pressure_kpa[crane],
        stability_margin_m=found.pads.margin[crane],
        capacity_any_spread_kg=any_spread_kg[crane],
        capacity_any_sector_kg=_most_kg(fleet, any_sector)[crane],
        capacity_if_entered_kg=capacity_if[crane],
        fit_if_entered=fit_if[crane] & calm,
        charted_sectors=charted_sectors(fleet, span, jib & room)[crane],
        remedy_kg=np.where(calm, np.stack(fitting, axis=1)[crane], 0.0),
    )


def worst(found: Sequence[Matches], holds: Sequence[Flags]) -> tuple[Matches, Ints]:
    """The worst of several answers for each crane, and which one it is; `holds` tells for which cranes each counts.

    Worst is the one that comes less far, among equals the one with the smaller capacity. At least one has to hold.
    """
    never = np.iinfo(np.intp).max
    ruling = np.stack([np.where(flags, one.ruling, never) for one, flags in zip(found, holds, strict=True)])
    capacity = np.stack([one.capacity_kg for one in found])
    least = np.where(ruling == ruling.min(axis=0), capacity, np.inf)
    which = np.asarray(least.argmin(axis=0), np.intp)
    if len(found) == 1:
        return found[0], which
    cranes = np.arange(which.size)
    chosen = {
        field.name: np.stack([getattr(one, field.name) for one in found])[which, cranes]
        for field in fields(Matches)
    }
    return Matches(**chosen), which


@dataclass(frozen=True)
class _Opened:
    """A lift with something opened: the configurations allowed then, and the ways in which it could be done, any of them."""

    allowed: Flags
    ways: Sequence[tuple[Span, Tried]]


def _most_kg(fleet: Fleet, opened: _Opened) -> Floats:
    """By variant: the largest capacity of the charts."""
    most = opened.ways[0][1].capacity_kg
    for _, tried in opened.ways[1:]:
        most = np.maximum(most, tried.capacity_kg)
    return largest_by_variant(fleet, np.where(opened.allowed, most, 0.0))


def _fitting_kg(fleet: Fleet, job: LiftJob, opened: _Opened, out: Flags) -> Floats:
    """By variant that is ruled out: the largest capacity in a set-up that would fit, tipping and ground included; 0 without.

    out: by configuration, whether its variant is ruled out.
    """
    asked = opened.allowed & out
    kg = np.zeros(asked.size)
    for span, tried in opened.ways:
        chosen = np.flatnonzero(asked & (tried.ruling == Ruling.FIT))
        if chosen.size:
            stands = standing(fleet, job, span, chosen) == Ruling.FIT
            kg[chosen] = np.maximum(kg[chosen], np.where(stands, tried.capacity_kg[chosen], 0.0))
    return largest_by_variant(fleet, kg) if kg.any() else np.zeros(len(fleet.types))


def _any_sector(span: Span, by_sector: Tried, here: _Opened) -> _Opened:
    """The lift within any one sector."""
    return _Opened(here.allowed, _within(span, by_sector, [{index} for index in range(len(SECTORS))]))


def _within(span: Span, by_sector: Tried, choices: Iterable[set[int]]) -> list[tuple[Span, Tried]]:
    named = [tuple(sorted(one)) for one in choices]
    return [(span._replace(sectors=one), by_sector.in_all(one)) for one in named]


def _if_entered(
    fleet: Fleet, job: LiftJob, by_sector: Tried, here: _Opened, out: Flags
) -> tuple[Floats, Flags]:
    """(variant, Entry): capacity, were that entered as the crane likes it best, and whether a crane that is out would fit then.

    As now for what the question says, and for the spread. A hook height is put at the one that is entered, or at the usual one;
    what hangs below the hook and the clearance at 0.
    """
    span = here.ways[0][0]
    opened: dict[Entry, _Opened] = {}
    if len(span.sectors) > 1:
        opened[Entry.SECTOR] = _Opened(here.allowed, _within(span, by_sector, if_named(job)))
    entered: dict[Entry, Span] = {}
    if span.any_height and np.isfinite(fleet.table.row_height_m).any():
        at = span.hook_height_m or (USUAL_HOOK_HEIGHT_M, USUAL_HOOK_HEIGHT_M)
        entered[Entry.HOOK_HEIGHT] = span._replace(hook_height_m=at, any_height=False)
    if job.obstacle_height_m is not None:
        for entry, name in ((Entry.BELOW_HOOK, "below_hook_m"), (Entry.CLEARANCE, "clearance_m")):
            if getattr(job, name) is None:
                entered[entry] = span_of(job.model_copy(update={name: 0.0}))
    for entry, other in entered.items():
        ways = ((other, try_sectors(fleet, job, other).in_all(span.sectors)),)
        opened[entry] = _Opened(here.allowed, ways)
    now = _most_kg(fleet, here)
    kg = np.repeat(now[:, None], len(Entry), axis=1)
    fits = np.zeros(kg.shape, np.bool_)
    for entry, one in opened.items():
        kg[:, entry] = np.maximum(_most_kg(fleet, one), now)
        fits[:, entry] = _fitting_kg(fleet, job, one, out) > 0
    return kg, fits


def _room(fleet: Fleet, job: LiftJob, span: Span, jib: Flags, tried: Tried) -> Flags:
    """By configuration: whether the stabilisers find room. A side that is not given has the narrowest charted spread.

    Where neither is given and several spreads are narrowest, each on another side, the one that comes least far holds,
    among equals the one that carries least.
    """
    first, widest = fleet.configuration_first_chart, max(SPREAD_RANK.values())
    left, right = fleet.table.spread_left[first], fleet.table.spread_right[first]
    room = np.ones(first.size, np.bool_)
    if job.spread_left is None and job.spread_right is None:
        return _worst_narrowest(fleet, job, span, jib, tried) if first.size else room
    for given, ranks in ((job.spread_left, left), (job.spread_right, right)):
        if given is not None:
            room &= ranks <= SPREAD_RANK[given]
    for given, ranks in ((job.spread_left, left), (job.spread_right, right)):
        if given is None:
            least = -largest_by_variant(fleet, np.where(room & jib, -ranks, -widest), empty=-widest)
            room &= ranks <= least[fleet.configuration_variant]
    return room


def _worst_narrowest(fleet: Fleet, job: LiftJob, span: Span, jib: Flags, tried: Tried) -> Flags:
    """By configuration: whether its spread is the narrowest of its variant, of several the worst, tipping and ground included."""
    first, variant = fleet.configuration_first_chart, fleet.configuration_variant
    left, right = fleet.table.spread_left[first], fleet.table.spread_right[first]
    starts = np.flatnonzero(
        (np.diff(variant, prepend=-1) != 0) | (np.diff(3 * left + right, prepend=-1) != 0)
    )
    group = np.repeat(np.arange(starts.size), np.diff(np.append(starts, left.size)))
    narrow = _narrowest(fleet, jib, left, right)
    ruling = tried.ruling.copy()
    several = (
        np.bincount(variant[starts][np.logical_or.reduceat(narrow, starts)], minlength=len(fleet.types)) > 1
    )
    looked_at = np.flatnonzero(narrow & (ruling == Ruling.FIT) & several[variant])
    if looked_at.size:
        ruling[looked_at] = standing(fleet, job, span, looked_at)
    reached = np.where(narrow, STEP_KG * ruling + tried.capacity_kg, 0.0)
    carries = np.maximum.reduceat(reached, starts)[group]
    # Turned round, so that the least is the largest.
    worst = last_largest(fleet, np.where(narrow, 1.0 / (1.0 + carries), 0.0))
    chosen = np.where(worst >= 0, group[worst], -1)[variant]
    return np.asarray(group == chosen, np.bool_)


def _narrowest(fleet: Fleet, jib: Flags, left: Ints, right: Ints) -> Flags:
    """By configuration: whether no other of its variant is narrower on one side and no wider on the other."""
    variant, ranks = fleet.configuration_variant, len(SPREAD_RANK)
    has = np.zeros((len(fleet.types), ranks, ranks), np.bool_)
    has[variant[jib], left[jib], right[jib]] = True
    up_to = has.copy()
    for rank in range(1, ranks):
        up_to[:, rank] |= up_to[:, rank - 1]
    for rank in range(1, ranks):
        up_to[:, :, rank] |= up_to[:, :, rank - 1]
    narrower = np.zeros_like(has)
    narrower[:, 1:, :] |= up_to[:, :-1, :]
    narrower[:, :, 1:] |= up_to[:, :, :-1]
    return np.asarray(jib & ~narrower[variant, left, right], np.bool_)
