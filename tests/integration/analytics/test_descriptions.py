"""Dated descriptions: the past is counted with what was valid then, and a type on file never reaches its cranes."""

from datetime import UTC, date, datetime, timedelta
from typing import Any
from urllib.parse import urlencode

import numpy as np
import psycopg
import pytest

from domain.crane import CraneType
from domain.description import BEGINNING, Attachment, DescriptionAsked, SensorReplaced
from domain.errors import Conflict, InvalidInput, NotFound
from store import cranes, descriptions
from store.exclusions import touch_between
from store.registration import describe_crane
from tests.integration.analytics.crane_at_work import Yard, working
from tests.integration.analytics.test_one_life_status import asked

START = datetime(2026, 3, 9, 6, tzinfo=UTC)
DAYS = [date(2026, 3, 9) + timedelta(days=number) for number in range(4)]
TODAY = date(2026, 4, 1)


def store(yard: Yard) -> None:
    """An hour of work on each of four days, with angles and without an outreach that the crane sends."""
    for number in range(len(DAYS)):
        channels = {
            name: values
            for name, values in working(1, seed=number).items()
            if name not in ("outreach_m", "hook_height_m")
        }
        n = channels["utilisation_pct"].size
        angles = {"main_boom_deg": 40.0, "knuckle_boom_deg": -10.0, "extension_m": 1.0}
        channels |= {name: np.full(n, value) for name, value in angles.items()}
        parts = yard.messages(START + timedelta(days=number), channels, boot=number + 1)
        yard.store(parts)
    yard.count()


def longer(crane_type: CraneType, by_m: float) -> CraneType:
    boom = crane_type.main_boom.model_copy(update={"length_m": crane_type.main_boom.length_m + by_m})
    return crane_type.model_copy(update={"main_boom": boom})


def outreach(yard: Yard) -> dict[date, float]:
    """Largest outreach of the lifts by day."""
    found: dict[date, float] = {}
    for row in yard.rows("lift"):
        found[row["day"]] = max(found.get(row["day"], 0.0), row["peak_outreach_m"])
    return found


def describe(yard: Yard, asked: DescriptionAsked, **more: Any) -> list[date]:
    with psycopg.connect(yard.url) as conn:
        record = cranes.get_crane(conn, yard.crane.name)
        _, days = describe_crane(conn, record, asked, TODAY, "ida", **more)
    return days


def entries(yard: Yard) -> list[tuple[date, float]]:
    with psycopg.connect(yard.url) as conn:
        found = descriptions.descriptions_of(conn, yard.crane_id)
    return [(one.valid_from, one.type.main_boom.length_m) for one in found]


def test_a_change_holds_from_its_day_on_and_the_past_stays(yard: Yard) -> None:
    store(yard)
    before = outreach(yard)
    length = yard.crane.type.main_boom.length_m
    days = describe(yard, DescriptionAsked(valid_from=DAYS[2], type=longer(yard.crane.type, 1.0)))
    assert days == DAYS[2:]
    yard.count()
    after = outreach(yard)
    assert [after[day] == before[day] for day in DAYS] == [True, True, False, False]
    assert after[DAYS[2]] == pytest.approx(before[DAYS[2]] + np.cos(np.radians(40)), abs=1e-3)
    assert entries(yard) == [(DAYS[2], length + 1), (BEGINNING, length)]
    with psycopg.connect(yard.url) as conn:
        assert cranes.get_crane(conn, yard.crane.name).crane.type.main_boom.length_m == length + 1
        on_file = cranes.find_type(conn, yard.crane.type.name)
    assert on_file is not None
    assert on_file.main_boom.length_m == length, "the type on file is not the crane's own copy"

    # corrected, only the days on which it holds are counted again
    assert describe(yard, DescriptionAsked(valid_from=DAYS[3], type=yard.crane.type)) == DAYS[3:]
    assert describe(yard, DescriptionAsked(type=longer(yard.crane.type, 0.5)), valid_from=DAYS[2]) == [
        DAYS[2]
    ]
    assert (
        describe(yard, DescriptionAsked(type=longer(yard.crane.type, 0.1)), valid_from=BEGINNING) == DAYS[:2]
    )
    with psycopg.connect(yard.url) as conn:
        assert descriptions.drop(conn, yard.crane_id, DAYS[2]) == [DAYS[2]]
        with pytest.raises(Conflict):
            descriptions.drop(conn, yard.crane_id, BEGINNING)
        with pytest.raises(NotFound):
            descriptions.drop(conn, yard.crane_id, DAYS[1])
    yard.count()
    after = outreach(yard)
    more = 0.1 * np.cos(np.radians(40))
    assert [after[day] - before[day] for day in DAYS] == pytest.approx([more, more, more, 0.0], abs=1e-3)


def test_counted_in_any_order_the_days_are_the_same(yard: Yard) -> None:
    describe(yard, DescriptionAsked(valid_from=DAYS[2], type=longer(yard.crane.type, 1.0)))
    store(yard)
    whole = yard.counted()
    for day in (DAYS[3], DAYS[0], DAYS[2]):
        with psycopg.connect(yard.url) as conn:
            touch_between(conn, yard.crane_id, day, day)
        yard.count()
    assert yard.counted() == whole


def test_editing_a_type_on_file_never_reaches_its_cranes(yard: Yard) -> None:
    store(yard)
    before = yard.counted()
    changed = longer(yard.crane.type, 2.0)
    with psycopg.connect(yard.url) as conn:
        cranes.save_type(conn, changed)
    yard.count()
    with psycopg.connect(yard.url) as conn:
        touch_between(conn, yard.crane_id, DAYS[0], DAYS[-1])
        own = cranes.get_crane(conn, yard.crane.name).crane.type
    yard.count()
    assert yard.counted() == before
    assert own == yard.crane.type
    assert describe(yard, DescriptionAsked(valid_from=DAYS[3], type=changed.name)) == [DAYS[3]]


def test_what_hangs_on_it_and_what_was_replaced_is_entered_without_a_recount(yard: Yard) -> None:
    store(yard)
    grab = Attachment(name="grab (invented)", mass_kg=240)
    replaced = SensorReplaced(channel="utilisation_pct", note="new sensor")
    asked = DescriptionAsked(
        valid_from=DAYS[1], attachments=(grab,), sensors_replaced=(replaced,), note="grab fitted"
    )
    assert describe(yard, asked) == []
    assert describe(yard, DescriptionAsked(valid_from=DAYS[2], type=longer(yard.crane.type, 1.0)))
    with psycopg.connect(yard.url) as conn:
        newest, middle, first = descriptions.descriptions_of(conn, yard.crane_id)
    assert (middle.attachments, middle.sensors_replaced, middle.entered_by) == ((grab,), (replaced,), "ida")
    assert (newest.attachments, newest.sensors_replaced) == ((grab,), ()), (
        "an attachment stays, a repair is of its day"
    )
    assert (first.valid_to, middle.valid_to, newest.valid_to) == (DAYS[0], DAYS[1], None)


def test_a_day_to_come_is_refused(yard: Yard) -> None:
    for day in (TODAY + timedelta(days=1), BEGINNING - timedelta(days=1)):
        with pytest.raises(InvalidInput, match="when it is made"):
            describe(yard, DescriptionAsked(valid_from=day, note="later"))
    with pytest.raises(NotFound):
        describe(yard, DescriptionAsked(note="none"), valid_from=DAYS[1])
    with pytest.raises(NotFound):
        describe(yard, DescriptionAsked(type="no-such-type"))


def test_a_trace_is_computed_with_what_the_crane_was_like_then(yard: Yard) -> None:
    store(yard)
    describe(yard, DescriptionAsked(valid_from=DAYS[2], type=longer(yard.crane.type, 1.0)))
    reach = []
    for number in (1, 2):
        span = {"from": START + timedelta(days=number), "to": START + timedelta(days=number, minutes=10)}
        query = urlencode(
            {name: when.isoformat() for name, when in span.items()} | {"channels": "outreach_m"}
        )
        (answer,) = asked(yard.url, f"/cranes/{yard.crane.name}/samples?{query}")
        assert answer["computed"] == ["outreach_m"]
        reach.append(answer["series"]["outreach_m"]["high"][0])
    assert reach[1] - reach[0] == pytest.approx(np.cos(np.radians(40)), abs=1e-3)
