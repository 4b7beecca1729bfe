"""Days of invented work: the same for the same seed, and true to their plan."""

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta

import numpy as np
import pytest

from domain.channels import CHANNEL_BY_NAME
from domain.messages import EventKind, EventMessage, EventState, SamplesMessage
from domain.units import STANDARD_GRAVITY_M_S2
from simulator.generate import crossings, generate, generate_day, generate_from
from simulator.messages import outgoing
from simulator.record import DayRecord
from simulator.sensing import clock_offset_ms
from simulator.truth import kq_of
from simulator.yard import load_yard

DAY = date(2025, 11, 5)
YARD = load_yard()


def record_of(name: str, day: date = DAY, seed: int = 1, **shape: int) -> DayRecord:
    """The crane's first working day from `day` on."""
    days = (day + timedelta(days=later) for later in range(14))
    records = (generate_day(YARD.crane(name), one, seed, **shape) for one in days)
    return next(record for record in records if record is not None)


@pytest.fixture(scope="module")
def week() -> list[DayRecord]:
    return list(generate(YARD.cranes, date(2025, 11, 3), 5, 1, dt_ms=500))


def test_the_yard_has_twelve_invented_cranes_of_four_types_and_more() -> None:
    assert len(YARD.cranes) >= 12
    types = {crane.crane.type.name: crane.crane.type for crane in YARD.cranes}
    assert len(types) >= 4
    assert any(kind.jib for kind in types.values())
    assert all(kind.invented and "(invented)" in kind.title and kind.charts for kind in types.values())


def test_the_same_seed_gives_the_same_day() -> None:
    one, other = record_of("yard-04"), record_of("yard-04")
    assert one.boot == other.boot
    assert [m.payload for m in outgoing(one)] == [m.payload for m in outgoing(other)]


def test_another_seed_gives_another_day() -> None:
    other = record_of("yard-04", seed=2)
    assert other.boot != record_of("yard-04").boot


def test_messages_are_what_the_wire_format_allows(week: list[DayRecord]) -> None:
    for record in week[:6]:
        seqs = []
        for message in outgoing(record):
            if message.topic.endswith("/samples"):
                body = SamplesMessage.model_validate_json(message.payload)
                for name, values in body.channels.items():
                    channel = CHANNEL_BY_NAME[name]
                    assert all(v is None or channel.low <= v <= channel.high for v in values)
                seqs.append(body.seq)
            else:
                seqs.append(EventMessage.model_validate_json(message.payload).seq)
        assert sorted(seqs) == list(range(len(seqs)))


def test_batches_hold_every_sample_once_and_never_cross_a_gap(week: list[DayRecord]) -> None:
    for record in week:
        assert record.batches.n.sum() == record.samples == record.truth.samples
        for first, n, t0 in zip(record.batches.first, record.batches.n, record.batches.t0_ms, strict=True):
            expected = t0 + np.arange(n) * record.dt_ms
            np.testing.assert_array_equal(record.t_ms[first : first + n], expected)


def test_utilisation_is_the_moment_ratio_within_the_sensors_noise(week: list[DayRecord]) -> None:
    for record in week:
        crane = YARD.crane(record.crane)
        if crane.faults.drift_days:
            continue
        error = record.channels["utilisation_pct"] - record.truth.utilisation_pct
        error = error[np.isfinite(error)]
        sensors = crane.machine.sensors
        expected = np.hypot(sensors.noise_pct, sensors.quantum_pct / np.sqrt(12))
        assert np.std(error) == pytest.approx(expected, rel=0.1)
        assert abs(np.mean(error)) < 6 * expected / np.sqrt(record.samples)


def test_peaks_of_a_true_lift_follow_from_mass_and_pose_by_hand() -> None:
    record = record_of("yard-09")
    crane = YARD.crane("yard-09").machine.crane_type
    lift = max(record.truth.lifts, key=lambda one: one.peak_structural_pct)
    span = (record.t_ms >= lift.started_ms) & (record.t_ms < lift.ended_ms)
    at = np.argmax(record.truth.structural_pct[span])
    joints = {name: float(record.channels[name][span][at]) for name in record.channels}
    a, b, c = (np.radians(joints[name]) for name in ("main_boom_deg", "knuckle_boom_deg", "jib_deg"))
    knuckle = crane.knuckle_boom.length_m + joints["extension_m"]
    assert crane.jib is not None
    jib = crane.jib.boom.length_m + joints["jib_extension_m"]
    arm_m = crane.main_boom.length_m * np.cos(a) + knuckle * np.cos(b) + jib * np.cos(c)
    load_pct = 100 * lift.mass_kg * STANDARD_GRAVITY_M_S2 * arm_m / 1000 / crane.rated_moment_kn_m
    # the booms add their own moment: more than nothing, less than the same masses all at the hook
    masses = crane.main_boom.mass_kg + crane.knuckle_boom.mass_kg + crane.jib.boom.mass_kg
    masses += sum(part.mass_kg for part in (*crane.extensions, *crane.jib.extensions))
    own_pct = 100 * masses * STANDARD_GRAVITY_M_S2 * arm_m / 1000 / crane.rated_moment_kn_m
    assert load_pct < lift.peak_structural_pct < load_pct + own_pct


def test_the_limiter_holds_unless_overridden(week: list[DayRecord]) -> None:
    lifts = [lift for record in week for lift in record.truth.lifts]
    assert sum(lift.limiter_stops for lift in lifts) > 10
    assert sum(lift.limiter_overrides for lift in lifts) > 5
    for lift in lifts:
        if lift.limiter_overrides == 0:
            # it stops the movement at 100 %; what swings on from there is a few percent
            assert lift.peak_utilisation_pct < 106.0
        else:
            assert lift.limiter_stops == 1
            assert lift.peak_utilisation_pct > 98.0


def test_events_tell_what_the_truth_tells(week: list[DayRecord]) -> None:
    for record in week:
        kinds = [event.kind for event in record.events if event.state is EventState.RAISED]
        assert kinds.count(EventKind.LIMITER_STOP) == len(record.truth.limiter_stops_ms)
        assert kinds.count(EventKind.LIMITER_OVERRIDE) == len(record.truth.limiter_overrides_ms)
        warned = [event for event in record.events if event.kind is EventKind.WARNING]
        assert [event.state for event in warned] == [EventState.RAISED, EventState.CLEARED] * (
            len(warned) // 2
        )


def test_the_stories_can_be_found(week: list[DayRecord]) -> None:
    def of(name: str) -> list[DayRecord]:
        return [record for record in week if record.crane == name]

    overrides = {c.name: sum(len(r.truth.limiter_overrides_ms) for r in of(c.name)) for c in YARD.cranes}
    assert max(overrides, key=lambda name: overrides[name]) == "yard-04"
    duty = {
        c.name: sum(len(r.truth.lifts) * kq_of(r.truth.lifts) for r in of(c.name) if r.truth.lifts)
        for c in YARD.cranes
    }
    assert max(duty, key=lambda name: duty[name]) == "yard-02"
    assert min(duty, key=lambda name: duty[name]) == "yard-06"
    review = YARD.crane("yard-05").crane
    years = (YARD.cranes[0].reference_day - review.commissioned_on).days / 365.25
    assert 9.7 < years < review.special_assessment_after_years


def test_a_drifting_sensor_reads_more_and_more() -> None:
    early, late = record_of("yard-03", date(2025, 7, 2)), record_of("yard-03", date(2025, 12, 15))
    errors = [np.mean(r.channels["utilisation_pct"] - r.truth.utilisation_pct) for r in (early, late)]
    assert abs(errors[0]) < 0.05
    since = YARD.crane("yard-03").reference_day - timedelta(days=170)
    assert errors[1] == pytest.approx(0.5 * (late.day - since).days / 30, abs=0.05)
    healthy = load_yard(healthy=True).crane("yard-03")
    record = generate_day(healthy, late.day, 1)
    assert record is not None
    assert abs(np.mean(record.channels["utilisation_pct"] - record.truth.utilisation_pct)) < 0.05


def test_what_was_recorded_without_coverage_leaves_late_and_complete() -> None:
    late = [
        record
        for record in generate([YARD.crane("yard-07")], date(2025, 11, 3), 5, 1, dt_ms=500)
        if (record.batches.send_ms > record.batches.t0_ms + record.batches.n * record.dt_ms).any()
    ]
    assert late
    for record in late:
        sent = [message.send_ms for message in outgoing(record)]
        assert sent == sorted(sent)
        assert len(sent) == len(record.batches) + len(record.events)


def test_work_from_a_moment_on_begins_at_once() -> None:
    start = datetime(2026, 1, 5, 22, 15, tzinfo=UTC)
    record = generate_from(YARD.crane("yard-01"), start, 1.0, 1)
    assert record.t_ms[0] == start.timestamp() * 1000
    assert record.dt_ms == 100
    assert record.batches.n.max() == 10


def test_two_level_switch() -> None:
    values = np.array([80.0, 91, 89, 87, 91, 89, 95, 80])
    group = np.array([0, 0, 0, 0, 0, 0, 1, 1])
    raised, cleared = crossings(values, 90.0, 88.0, group)
    assert raised.tolist() == [1, 4, 6]
    assert cleared.tolist() == [3, 5, 7]


def test_lost_readings_are_few_short_and_null_on_the_wire(week: list[DayRecord]) -> None:
    lost = [np.isnan(r.channels["utilisation_pct"]) for r in week if r.crane == "yard-07"]
    assert 0 < np.concatenate(lost).mean() < 0.02
    for record in week:
        if record.crane != "yard-07":
            assert not any(np.isnan(values).any() for values in record.channels.values())
    assert any(b"null" in message.payload for r in week if r.crane == "yard-07" for message in outgoing(r))


def test_a_clock_that_is_off_shifts_what_is_sent_and_not_what_is_true() -> None:
    off = record_of("yard-12", dt_ms=1000)
    crane = load_yard(healthy=True).crane("yard-12")
    right = generate_day(crane, off.day, 1, dt_ms=1000)
    assert right is not None
    wrong = load_yard().crane("yard-12")
    behind_ms = -clock_offset_ms(wrong, off.day.toordinal())
    assert behind_ms > 20_000
    assert off.clock_offset_ms == -behind_ms
    assert clock_offset_ms(crane, off.day.toordinal()) == 0
    np.testing.assert_array_equal(off.t_ms, right.t_ms - behind_ms)
    np.testing.assert_array_equal(off.batches.t0_ms, right.batches.t0_ms - behind_ms)
    sent_at = [event.at_ms for event in right.events if event.kind is not EventKind.FAULT]
    assert [e.at_ms + behind_ms for e in off.events if e.kind is not EventKind.FAULT] == sent_at
    np.testing.assert_array_equal(off.batches.send_ms, right.batches.send_ms)
    assert off.truth.lifts == right.truth.lifts


def test_a_clock_runs_off_day_by_day_until_somebody_sets_it() -> None:
    crane = load_yard().crane("yard-12")
    today = crane.reference_day.toordinal()
    assert clock_offset_ms(crane, today) == -95_000
    assert clock_offset_ms(crane, today - 100) == -45_000
    assert clock_offset_ms(crane, today - 200) == 0
    fast = replace(
        crane, faults=crane.faults.model_copy(update={"clock_drift_s_per_day": 50.0, "clock_offset_s": 9.0})
    )
    assert clock_offset_ms(fast, today - 189) == 59_000
    assert clock_offset_ms(fast, today) == 240_000


def test_a_stuck_angle_sensor_stands_still_while_the_boom_moves() -> None:
    crane = load_yard().crane("yard-11")
    stuck = replace(crane, faults=crane.faults.model_copy(update={"stuck_share": 1.0}))
    well = replace(crane, faults=crane.faults.model_copy(update={"stuck_share": 0.0}))
    day = record_of("yard-11").day
    one, other = generate_day(stuck, day, 1), generate_day(well, day, 1)
    assert one is not None
    assert other is not None
    wrong = one.channels["main_boom_deg"] != other.channels["main_boom_deg"]
    assert 0.01 < wrong.mean() < 0.9
    np.testing.assert_array_equal(one.channels["knuckle_boom_deg"], other.channels["knuckle_boom_deg"])


def test_emergency_mode_is_told_and_sampled() -> None:
    crane = load_yard().crane("yard-01")
    always = replace(crane, habit=crane.habit.model_copy(update={"emergency_share": 1.0}))
    record = generate_day(always, record_of("yard-01").day, 1)
    assert record is not None
    told = [event.at_ms for event in record.events if event.code == "M-3"]
    starts = record.t_ms[1:][(np.diff(record.channels["mode"]) == 1) & (record.channels["mode"][1:] == 3)]
    np.testing.assert_allclose(starts, told, atol=record.dt_ms)
