"""A crane-day without what is excluded of it, and what the excluded readings had counted before.

Excluded readings are missing before anything is computed. Where utilisation is among them the crane was in use and what it did
is not known: `excluded_ms`. What was found there with these readings is kept beside it, as the least that the span is
taken at; readings that are known to be false are no such bound.
"""

from collections.abc import Callable, Sequence
from dataclasses import replace

import numpy as np

from analytics.day import DayCount
from analytics.samples import Bools, DaySamples
from domain.exclusion import UTILISATION
from duty import lifts, overloads, spectrum
from store.exclusions import Excluded
from store.segments import to_ms


def count_without(
    samples: DaySamples, spans: Sequence[Excluded], count: Callable[[DaySamples], DayCount]
) -> DayCount:
    """The count of a day without the readings of `spans`, with the cubed peaks that they had counted."""
    counted = _with_overloads(count(without(samples, spans)), count(samples))
    doubted = [span for span in spans if not span.readings_false]
    if not doubted:
        return counted
    before = count(without(samples, [span for span in spans if span.readings_false])).lift_part
    # What is lost beyond the span counts too: lifts alike on both sides become one, and those without a pose none.
    lost = cubed_sum(before) - cubed_sum(counted.lift_part)
    known = max(cubed_sum_in(before, [span for span in doubted if _blinds(span)]), lost)
    return replace(counted, figures={**counted.figures, "excluded_cubed_sum": known})


def _with_overloads(counted: DayCount, sent: DayCount) -> DayCount:
    """The time above the rating by the readings as they were sent too: an exclusion takes no overload out of the register."""
    parts = (each.figures["over_part"] for each in (counted, sent))
    runs = overloads.joined(
        run for part in parts if part is not None for run in overloads.runs_from_bytes(part)
    )
    over = overloads.runs_to_bytes(runs) if runs else None
    return replace(counted, figures={**counted.figures, "over_part": over})


def without(samples: DaySamples, spans: Sequence[Excluded]) -> DaySamples:
    """The samples with the readings of `spans` missing. A channel of which nothing is left stays, as missing readings.

    It stays because an absent channel is taken for one that the crane does not have: a jib without its angle for none.
    """
    channels = dict(samples.channels)
    excluded = np.zeros(samples.at_ms.size, np.bool_)
    for span in spans:
        inside = _inside(samples, span)
        for name in channels if span.channel is None else {span.channel} & channels.keys():
            channels[name] = np.where(inside, np.float32(np.nan), channels[name])
        if _blinds(span):
            excluded |= inside
    return replace(samples, channels=channels, excluded=excluded)


def cubed_sum(lift_part: bytes) -> float:
    """Sum of the cubed peak structural shares of the lifts of a day."""
    return sum(spectrum.cube(lift.peak_structural_pct) for lift in lifts.lifts(lifts.from_bytes(lift_part)))


def cubed_sum_in(lift_part: bytes, spans: Sequence[Excluded]) -> float:
    """Sum of the cubed peak structural shares of the lifts of a day that reach into `spans`."""
    ends = [(to_ms(span.from_at), to_ms(span.to_at)) for span in spans]
    return float(
        sum(
            spectrum.cube(lift.peak_structural_pct)
            for lift in lifts.lifts(lifts.from_bytes(lift_part))
            if any(lift.start_ms < end and lift.end_ms >= start for start, end in ends)
        )
    )


def _inside(samples: DaySamples, span: Excluded) -> Bools:
    return np.asarray((samples.at_ms >= to_ms(span.from_at)) & (samples.at_ms < to_ms(span.to_at)))


def _blinds(span: Excluded) -> bool:
    """Whether an exclusion takes the utilisation, without which nothing is known of what the crane did."""
    return span.channel in (None, UTILISATION)
