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
    "field-clock-set-back": {
        ("clock_set_back", None),
        ("boots_overlap", None),
    },  # the starts after it as well
    "field-two-boxes": {("boots_overlap", None)},
    "field-clock-days-behind": {("clock_behind", None)},
    "field-short-step": {("time_hole", None)},
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
            boot=record.boot_of(int(batches.seq[k])),
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


def of_times(*messages: tuple[int, int], dt_ms: int = 1000, samples: int = 10) -> list[str]:
    """Codes told of messages (number, start [ms]) of one boot, each in a batch of its own."""
    doubts, found = Doubts(), []
    for seq, t0_ms in messages:
        values = np.full((1, samples), 40, np.float32)
        segment = Segment(
            crane_id=1,
            t0_ms=10**12 + t0_ms,
            boot=7,
            seq=seq,
            dt_ms=dt_ms,
            channels=("utilisation_pct",),
            values=values,
            received_ms=10**12 + t0_ms + 20_000,
        )
        plan = Plan([], segments={0: segment})
        plan.check_ranges(range(1), Limits())
        found += [doubt.code.value for doubt in doubts.look(plan, [0])]
    return found


def test_time_between_messages_that_no_number_accounts_for_is_told() -> None:
    even = [(number, 10_000 * number) for number in range(30)]
    assert of_times(*even) == []
    jitter = np.random.default_rng(1).integers(-400, 400, 400).tolist()
    assert of_times(*((n, 10_000 * n + off) for n, off in enumerate(jitter))) == []
    assert of_times(*even[:10], *((n, at + 60_000) for n, at in even[10:])) == [
        "time_hole"
    ]  # a pause, told once
    assert of_times(*((n, at) for n, at in even if n % 7)) == []  # a number left out may be on its way
    short = of_times(*even, dt_ms=100)
    assert set(short) == {"time_hole"}
    assert len(short) > 20


def test_messages_that_reach_into_the_next_are_told() -> None:
    """A step stated too long, and channels of a time in two messages; a clock set back once by seconds is not."""
    even = [(number, 10_000 * number) for number in range(30)]
    assert set(of_times(*even, dt_ms=1200)) == {"clock_set_back"}
    assert set(of_times(*((n, 10_000 * (n // 2)) for n in range(30)))) == {"clock_set_back"}
    assert of_times(*even[:10], *((n, at - 5_000) for n, at in even[10:])) == []


def test_nothing_is_told_of_what_no_message_shows() -> None:
    """Attachments, wrong zeros, masses, spikes and drop-outs are told by whole days."""
    yard = field_cases(date(2026, 1, 5))
    names = {crane.name for crane in yard.cranes} - WRONG.keys() - {"field-clock-ahead"}
    found = told(field_cases(date(2026, 1, 5), names), 2, 20)
    assert len(found) >= 8
    assert set().union(*found.values()) == set()
