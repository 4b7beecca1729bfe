"""Which cranes run near their limit, with what confidence, under what circumstances and where."""

import math
from collections.abc import Callable, Iterable, Sequence
from datetime import datetime, timedelta
from itertools import groupby
from typing import Any, Final

from anyio import to_thread
from psycopg import AsyncConnection

from answers.counted import merged_tallies
from answers.near_limit_places import circumstances_of
from answers.samples import samples_answer
from answers.spectrum import place_near_limit
from domain.answers import of_row
from domain.errors import NotFound
from domain.fleet_answers import Confident
from domain.moments import DayRange, TimeRange
from domain.near_limit import (
    Measure,
    MeasureName,
    NearLimitAnswer,
    NearLimitPlaces,
    NearLimitRanking,
    NearLimitRow,
    OverrideTrace,
)
from domain.units import ms_to_h, ms_to_s
from duty import rates
from duty.levels import NEAR_LIMIT_PCT
from duty.rates import Change, Estimate
from store import duty, faults, reading, segments, summary
from store.reading import CraneInScope
from store.statement import Sites
from store.summary import NearLimitPeriod
from words.texts import cautions

Exposure = Callable[[NearLimitPeriod], float]
AROUND_S: Final = 30.0
TRACED: Final = (
    "utilisation_pct",
    "limit_pct",
    "slew_deg",
    "outreach_m",
    "hook_height_m",
    "main_boom_deg",
    "knuckle_boom_deg",
    "extension_m",
    "mode",
    "stabiliser_left_pct",
    "stabiliser_right_pct",
)


async def ranking(
    conn: AsyncConnection[Any], sites: Sites, by: MeasureName, chosen: DayRange
) -> NearLimitRanking:
    """Cranes by how surely they work near their limit, with intervals and the change against the period before."""
    found = await summary.near_limit_periods(conn, day_from=chosen.first, day_to=chosen.last, sites=sites)
    rows = await to_thread.run_sync(ranked, found, by)
    return NearLimitRanking(
        cautions=cautions("duty"),
        day_from=chosen.first,
        day_to=chosen.last,
        before_from=chosen.first - (chosen.last - chosen.first) - timedelta(days=1),
        before_to=chosen.first - timedelta(days=1),
        by=by,
        near_limit_from_pct=NEAR_LIMIT_PCT,
        confidence=rates.CONFIDENCE,
        rows=tuple(rows),
    )


async def near_limit_of(conn: AsyncConnection[Any], crane: CraneInScope, chosen: DayRange) -> NearLimitAnswer:
    """How a crane works near its limit: rates, change, slewing sector, stabilisers, hour, mode, reach and mass."""
    days = chosen.first, chosen.last
    (row,) = ranked(
        await summary.near_limit_periods(conn, day_from=days[0], day_to=days[1], crane=crane.name),
        "near_limit_lifts",
    )
    spans = await duty.spans(conn, crane.name, *days)
    peaks = await duty.LIFT_PEAKS.all_async(conn, crane=crane.name, day_from=days[0], day_to=days[1])
    return NearLimitAnswer(
        cautions=cautions("duty"),
        day_from=chosen.first,
        day_to=chosen.last,
        near_limit_from_pct=NEAR_LIMIT_PCT,
        crane=row.model_copy(update={"place": None}),
        **await to_thread.run_sync(circumstances_of, spans, peaks),
    )


async def places(conn: AsyncConnection[Any], cranes: Sequence[str], chosen: DayRange) -> NearLimitPlaces:
    """Where some cranes spent most of their near-limit time, over whole local days."""
    spans = await duty.spans_of(conn, cranes, chosen.first, chosen.last)

    def found() -> NearLimitPlaces:
        by_crane = groupby(spans, key=lambda span: span.crane)
        rows = (place_near_limit(name, merged_tallies(list(own))) for name, own in by_crane)
        return NearLimitPlaces(
            day_from=chosen.first,
            day_to=chosen.last,
            near_limit_from_pct=NEAR_LIMIT_PCT,
            rows=tuple(place for place in rows if place is not None),
        )

    return await to_thread.run_sync(found)


async def override_trace(
    conn: AsyncConnection[Any], crane: CraneInScope, moment: datetime, sites: Sites
) -> OverrideTrace:
    """One use of the limiter override with the 30 s before and after it. Raises NotFound where none was counted then."""
    found = await faults.OVERRIDES.all_async(
        conn, time_from=moment, time_to=moment + timedelta(milliseconds=1), crane=crane.name, rows=1
    )
    if not found:
        raise NotFound(f"{crane.name} has no counted override at {moment.isoformat()}: see its overrides")
    (row,) = found
    around = timedelta(seconds=AROUND_S)
    span = TimeRange(row.at - around, row.at + around)
    stored = await segments.read_async(conn, crane.crane_id, span.start, span.end, TRACED)
    happened = await reading.event_rows(conn, sites, span.start, span.end, crane=crane.name, rows=1000)
    at_ms = segments.to_ms(row.at)
    samples = await to_thread.run_sync(samples_answer, crane.name, span, stored, 20_000)
    used = samples.series["utilisation_pct"].high
    reach = [
        (at, value)
        for at, value in zip(samples.at_ms, samples.series["outreach_m"].high, strict=True)
        if at >= at_ms and value is not None
    ]
    return OverrideTrace(
        override=row,
        before_s=AROUND_S,
        after_s=AROUND_S,
        peak_before_pct=_peak(value for at, value in zip(samples.at_ms, used, strict=True) if at <= at_ms),
        peak_after_pct=_peak(value for at, value in zip(samples.at_ms, used, strict=True) if at > at_ms),
        outreach_change_m=reach[-1][1] - reach[0][1] if reach else None,
        samples=samples,
        events=tuple(reversed(happened)),
        at_ms=at_ms,
        overridden_at=row.at,
    )


def ranked(found: Sequence[NearLimitPeriod], by: MeasureName) -> list[NearLimitRow]:
    """Cranes by the low end of a measure, those with too little record last and without a place."""
    rows = [near_limit_row(now, before) for before, now in zip(found[::2], found[1::2], strict=True)]
    chosen = {row.crane: next(one for one in row.measures if one.name == by).now for row in rows}
    rows.sort(key=lambda row: (not chosen[row.crane].enough, -chosen[row.crane].low, row.crane))
    return [
        row.model_copy(update={"place": place}) if chosen[row.crane].enough else row
        for place, row in enumerate(rows, start=1)
    ]


def near_limit_row(now: NearLimitPeriod, before: NearLimitPeriod) -> NearLimitRow:
    """One crane with every measure, in the period and in the one before."""
    return of_row(
        NearLimitRow,
        now,
        place=None,
        working_hours=_hours(now),
        near_limit_s=ms_to_s(now.near_limit_ms),
        near_limit_pct=_share_pct(now),
        near_limit_pct_before=_share_pct(before),
        measures=(
            _near_limit_lifts(now, before),
            *(_rate(*counted, now, before) for counted in _COUNTED),
        ),
    )


def _peak(values: Iterable[float | None]) -> float | None:
    return max((value for value in values if value is not None), default=None)


def confident(found: Estimate) -> Confident:
    """An estimate for an answer."""
    return Confident(value=found.value, low=found.low, high=_finite(found.high), enough=found.enough)


def _near_limit_lifts(now: NearLimitPeriod, before: NearLimitPeriod) -> Measure:
    one, two = (now.near_limit_lifts, now.lifts), (before.near_limit_lifts, before.lifts)
    return _measure(
        "near_limit_lifts",
        now.near_limit_lifts,
        now.lifts,
        rates.share(*one),
        rates.share(*two),
        rates.share_change(*one, *two),
    )


def _rate(
    name: MeasureName,
    field: str,
    exposure_of: Exposure,
    fewest: float,
    now: NearLimitPeriod,
    before: NearLimitPeriod,
) -> Measure:
    one = getattr(now, field), exposure_of(now)
    two = getattr(before, field), exposure_of(before)
    return _measure(
        name,
        *one,
        rates.rate(*one, fewest_exposure=fewest),
        rates.rate(*two, fewest_exposure=fewest),
        rates.rate_change(*one, *two),
    )


def _measure(
    name: MeasureName, count: int, exposure: float, now: Estimate, before: Estimate, change: Change
) -> Measure:
    return Measure(
        name=name,
        count=count,
        exposure=exposure,
        now=confident(now),
        before=confident(before),
        change=change.value,
        change_low=change.low,
        change_high=_finite(change.high),
        change_word=change.word,
    )


def _hours(period: NearLimitPeriod) -> float:
    return ms_to_h(period.working_ms)


def _lifts(period: NearLimitPeriod) -> float:
    return period.lifts


_COUNTED: Final[tuple[tuple[MeasureName, str, Exposure, float], ...]] = (
    ("warnings_per_hour", "warnings", _hours, rates.FEWEST_HOURS),
    ("limiter_stops_per_hour", "limiter_stops", _hours, rates.FEWEST_HOURS),
    ("limiter_overrides_per_hour", "limiter_overrides", _hours, rates.FEWEST_HOURS),
    ("limiter_stops_per_lift", "limiter_stops", _lifts, rates.FEWEST_LIFTS),
    ("limiter_overrides_per_lift", "limiter_overrides", _lifts, rates.FEWEST_LIFTS),
)
"""Measures that are a count over an exposure, with the least exposure that says anything."""


def _share_pct(period: NearLimitPeriod) -> float | None:
    return 100 * period.near_limit_ms / period.loaded_ms if period.loaded_ms else None


def _finite(value: float) -> float | None:
    return value if math.isfinite(value) else None
