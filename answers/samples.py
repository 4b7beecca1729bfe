"""Recorded channels of a crane over a range, down-sampled, with an outreach computed where none was sent."""

from collections.abc import Iterator, Mapping, Sequence
from datetime import datetime, time
from enum import StrEnum
from types import MappingProxyType
from typing import Any, Final, TypeVar
from zoneinfo import ZoneInfo

import numpy as np
from anyio import to_thread
from numpy.typing import NDArray
from psycopg import AsyncConnection

from domain.answers import SamplesAnswer, Series
from domain.channels import CHANNEL_BY_NAME
from domain.crane import CraneType
from domain.errors import InvalidInput
from domain.moments import TimeRange
from duty.drawing import CHANNELS, outreach_m
from duty.reduce import Reduced, Values, reduce, reduce_to_shape
from store import descriptions, further_channels, segments
from store.reading import CraneInScope
from store.segments import Segments

DayTypes = Sequence[tuple[int, CraneType]]
"""What a crane was like, and since when [ms], one after the other."""
NEVER_MS: Final = -(2**62)  # before anything
Held = TypeVar("Held")


class Keep(StrEnum):
    """What down-sampling keeps."""

    EXTREMES = "extremes"
    SHAPE = "shape"


async def samples_of(
    conn: AsyncConnection[Any],
    crane: CraneInScope,
    span: TimeRange,
    names: Sequence[str],
    points: int,
    keep: Keep,
    *,
    further: bool = False,
) -> SamplesAnswer:
    """Channels of a crane over a range in `points` buckets at most. further: also what is registered for it.

    Raises InvalidInput for a channel that is not there.
    """
    others = [name for name in names if name not in CHANNEL_BY_NAME]
    registered = await further_channels.of_crane(conn, crane.crane_id) if others or further else {}
    unknown = [name for name in others if name not in registered]
    if unknown or not names:
        raise InvalidInput(
            f"no channel {', '.join(unknown) or 'is named'}; there are {', '.join((*CHANNEL_BY_NAME, *registered))}",
            field="channels",
        )
    if further:
        others += [
            name for name, row in registered.items() if row.withdrawn_at is None and name not in others
        ]
        names = tuple(dict.fromkeys((*names, *others)))
    types = await types_of(conn, crane) if "outreach_m" in names else []
    own = [name for name in names if name in CHANNEL_BY_NAME]
    read = tuple(dict.fromkeys((*own, *(CHANNELS if types else ()))))
    found = await segments.read_async(conn, crane.crane_id, span.start, span.end, read, others)
    units = {name: row.unit for name, row in registered.items()}
    return await to_thread.run_sync(
        lambda: samples_answer(crane.name, span, found, points, keep, names=names, types=types, units=units)
    )


async def types_of(conn: AsyncConnection[Any], crane: CraneInScope) -> DayTypes:
    """What a crane was like, from each of its descriptions on; the first one holds from the beginning."""
    zone = ZoneInfo(crane.time_zone)
    entries = await descriptions.descriptions(conn, crane.crane_id)
    return [
        (
            NEVER_MS
            if one is entries[-1]
            else segments.to_ms(datetime.combine(one.valid_from, time(), zone)),
            one.type,
        )
        for one in reversed(entries)
    ]


def samples_answer(
    crane: str,
    span: TimeRange,
    found: Segments,
    points: int,
    keep: Keep = Keep.EXTREMES,
    *,
    names: Sequence[str] | None = None,
    types: DayTypes = (),
    units: Mapping[str, str] = MappingProxyType({}),
) -> SamplesAnswer:
    """Recorded channels of a range out of the segments that overlap it; `names` of those read, every one when None.

    units: of further channels.

    With what the crane was like an outreach that was not sent is computed, with the lengths of each sample's own day.
    """
    at_ms, values = found.samples(span.start, span.end)
    computed = bool(types) and not np.isfinite(values["outreach_m"]).any()
    if computed:
        values = {**values, "outreach_m": _computed_m(types, at_ms, values)}
    if names is not None:
        values = {name: values[name] for name in names}
    few = reduced(found, span, at_ms, values, points, keep)
    return SamplesAnswer(
        crane=crane,
        time_from=span.start,
        time_to=span.end,
        recorded_samples=at_ms.size,
        reduced=few.bucket_ms is not None,
        bucket_ms=few.bucket_ms,
        at_ms=tuple(few.at_ms.tolist()),
        series={name: _series(name, few, units) for name in values},
        computed=("outreach_m",)
        if computed and few.at_ms.size and np.isfinite(values["outreach_m"]).any()
        else (),
    )


def _computed_m(types: DayTypes, at_ms: NDArray[np.int64], values: Mapping[str, Values]) -> Values:
    found = np.full(at_ms.size, np.nan, np.float32)
    for crane_type, held in parts_of(types, at_ms):
        found[held] = outreach_m(crane_type, {name: values[name][held] for name in CHANNELS})
    return found


def parts_of(
    dated: Sequence[tuple[int, Held]], at_ms: NDArray[np.int64]
) -> Iterator[tuple[Held, NDArray[np.bool_]]]:
    """What holds from one moment [ms] on after the other, with the samples in its time; the first holds before as well."""
    which = np.searchsorted([since for since, _ in dated[1:]], at_ms, side="right")
    for index, (_, held) in enumerate(dated):
        inside = which == index
        if inside.any():
            yield held, inside


def reduced(
    found: Segments,
    span: TimeRange,
    at_ms: NDArray[np.int64],
    values: Mapping[str, Values],
    points: int,
    keep: Keep = Keep.EXTREMES,
) -> Reduced:
    """Samples of some segments, as `Segments.samples` gives them, brought to `points` times at most."""
    step_ms = np.repeat(found.dt_ms, found.n)
    if step_ms.size != at_ms.size:
        all_ms = found.at_ms()
        start_ms, end_ms = segments.to_ms(span.start), segments.to_ms(span.end)
        step_ms = step_ms[(all_ms >= start_ms) & (all_ms < end_ms)]
    return (reduce if keep is Keep.EXTREMES else reduce_to_shape)(
        at_ms,
        step_ms,
        values,
        start_ms=segments.to_ms(span.start),
        end_ms=segments.to_ms(span.end),
        points=points,
    )


def _series(name: str, few: Reduced, units: Mapping[str, str]) -> Series:
    unit = CHANNEL_BY_NAME[name].unit if name in CHANNEL_BY_NAME else units[name]
    return Series(unit=unit, low=_numbers(few.low[name]), high=_numbers(few.high[name]))


def _numbers(values: NDArray[np.floating]) -> tuple[float | None, ...]:
    """Readings to 4 decimals, well below what any sensor resolves; None for NaN."""
    return tuple(
        None if number != number else number for number in np.round(values.astype(float), 4).tolist()
    )
