"""What is doubtful about messages, on simulated work: each thing that is wrong is told of its crane, and nothing of sound ones."""

from collections import defaultdict
from collections.abc import Iterator
from datetime import date

import numpy as np
import pytest

from domain.channels import CHANNEL_NAMES
from ingest.doubts import Doubts
from ingest.limits import Limits
from ingest.plan import Plan
from simulator.generate import generate
from simulator.record import DayRecord
from simulator.yard import Yard, field_cases, load_yard
from store.columns import Segment

FIRST = date(2025, 11, 3)
BATCH = 100
SKEW_MS = 300_000  # what lies farther ahead is not stored
WRONG = {
    "field-fraction": {("fraction_for_percent", "utilisation_pct")},
    "field-radians": {("radians_for_degrees", "slew_deg")},
    "field-millimetres": {("reading_refused", "extension_m")},
    "field-flipped": {("reading_refused", "utilisation_pct")},
    "field-no-limit": {("limit_zero", "limit_pct")},
    "field-clock-behind": {("clock_behind", None)},
    "field-clock-set-back": {("clock_set_back", None)},
    "field-two-boxes": {("boots_overlap", None)},
}


def segments(record: DayRecord, crane_id: int) -> Iterator[Segment]:
    """A day's messages as they come in."""
    batches = record.batches
    for k in np.argsort(batches.send_ms, kind="stable").tolist():
        channels = record.batch_channels(k)
        names = tuple(name for name in CHANNEL_NAMES if name in channels)
        received_ms = int(batches.send_ms[k]) + 200
        segment = Segment(
            crane_id=crane_id,
            t0_ms=int(batches.t0_ms[k]),
            boot=record.boot,
            seq=int(batches.seq[k]),
            dt_ms=int(batches.dt_ms[k]),
            channels=names,
            values=np.stack([channels[name] for name in names]),
            received_ms=received_ms,
        )
        if segment.t0_ms + segment.values.shape[1] * segment.dt_ms <= received_ms + SKEW_MS:
            yield segment


def told(yard: Yard, days: int, samples_per_message: int) -> dict[str, set[tuple[str, str | None]]]:
    """(code, channel) by crane over some days, those of cranes that did not work left out."""
    places = {crane.name: place for place, crane in enumerate(yard.cranes)}
    doubts, found = Doubts(), defaultdict[str, set[tuple[str, str | None]]](set)
    records = generate(
        yard.cranes,
        FIRST,
        days,
        1,
        dt_ms=500,
        idle_ms=1000,
        samples_per_message=samples_per_message,
    )
    # Two boxes of one crane send at once, so the messages of a day and crane come together, in order of their coming.
    by_day = defaultdict[tuple[date, str], list[Segment]](list)
    for record in records:
        by_day[record.day, record.crane] += segments(record, places[record.crane])
    for (_, name), messages in sorted(by_day.items()):
        messages.sort(key=lambda segment: segment.received_ms)
        of_crane = found[name]
        for first in range(0, len(messages), BATCH):
            plan = Plan([], segments=dict(enumerate(messages[first : first + BATCH])))
            plan.check_ranges(range(BATCH), Limits())
            of_crane |= {(doubt.code.value, doubt.channel) for doubt in doubts.look(plan, plan.segments)}
    return found


def test_nothing_is_told_of_cranes_at_work() -> None:
    found = told(load_yard(date(2026, 1, 5)), 3, 20)
    assert len(found) >= 10
    assert set().union(*found.values()) == set()


@pytest.mark.parametrize("samples_per_message", [10, 120])
def test_each_thing_that_is_wrong_is_told_however_long_messages_are(samples_per_message: int) -> None:
    found = told(field_cases(date(2026, 1, 5), WRONG), 9, samples_per_message)
    assert found == WRONG


def test_nothing_is_told_of_what_no_message_shows() -> None:
    """Attachments, wrong zeros, masses, spikes and drop-outs are told by whole days."""
    yard = field_cases(date(2026, 1, 5))
    names = {crane.name for crane in yard.cranes} - WRONG.keys() - {"field-clock-ahead"}
    found = told(field_cases(date(2026, 1, 5), names), 2, 20)
    assert len(found) >= 8
    assert set().union(*found.values()) == set()
