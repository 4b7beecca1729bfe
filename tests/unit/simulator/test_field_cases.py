"""Field cases: each crane of `field.yaml` shows what its title says, and its truth is that of the plan all the same."""

import re
from dataclasses import replace
from datetime import date
from pathlib import Path

import numpy as np
import pytest

import simulator
from domain.errors import NotFound
from domain.units import STANDARD_GRAVITY_M_S2
from duty.geometry import pose
from duty.statics import self_moment_kn_m
from simulator.dynamics import swing_period_s
from simulator.generate import generate
from simulator.messages import outgoing
from simulator.record import DayRecord
from simulator.truth import late_messages
from simulator.yard import Attachment, Faults, Habit, YardCrane, field_cases

CASES = field_cases(date(2026, 1, 5))
DAY = date(2025, 12, 9)


def record_of(crane: YardCrane, step_ms: int = 200) -> DayRecord:
    """The first working day of a crane from DAY on."""
    return next(iter(generate([crane], DAY, 5, dt_ms=step_ms)))


def without_faults(crane: YardCrane) -> YardCrane:
    return replace(crane, faults=Faults())


def structural(record: DayRecord) -> np.ndarray:
    return np.asarray(record.channels["utilisation_pct"] * record.channels["limit_pct"] / 100, float)


def hook_mass_kg(crane: YardCrane, record: DayRecord, structural_pct: np.ndarray) -> np.ndarray:
    """What hangs, from the moment over what the booms as described make of it at the pose that was sent."""
    crane_type = crane.crane.type
    own = self_moment_kn_m(crane_type, *sent_pose(record))
    moment = structural_pct / 100 * crane_type.rated_moment_kn_m - own
    return np.asarray(1000 * moment / (STANDARD_GRAVITY_M_S2 * arm_m(crane, record)))


def sent_pose(record: DayRecord) -> list[np.ndarray]:
    names = ("main_boom_deg", "knuckle_boom_deg", "extension_m")
    return [record.channels[name].astype(float) for name in names]


def arm_m(crane: YardCrane, record: DayRecord) -> np.ndarray:
    crane_type = crane.crane.type
    return np.asarray(pose(crane_type, *sent_pose(record)).outreach_m - crane_type.pivot_offset_m)


def empty(record: DayRecord) -> np.ndarray:
    """Samples at least ten seconds from every lift of the plan."""
    free = np.ones(record.samples, bool)
    for lift in record.truth.lifts:
        free &= (record.t_ms < lift.started_ms - 10_000) | (record.t_ms > lift.ended_ms + 10_000)
    return free


def test_every_case_works_and_tells_what_was_hoisted() -> None:
    names = [crane.name for crane in CASES.cranes]
    assert len(set(names)) == len(names) - 1  # two boxes under one name
    for crane in CASES.cranes:
        record = record_of(crane, 1000)
        assert record.truth.lifts
        assert all(lift.mass_kg > 0 for lift in record.truth.lifts)
    with pytest.raises(NotFound, match="field-attachment"):
        field_cases(names=["field-nothing"])


def test_the_simulator_knows_nothing_of_what_is_found() -> None:
    """Truth comes from the plan: of the computing room only statics, geometry and the reading of charts are used."""
    used = set()
    for file in Path(simulator.__file__).parent.glob("*.py"):
        used |= set(re.findall(r"^\s*from duty(?:\.(\w+))? import (\w+)", file.read_text(), re.MULTILINE))
    modules = {module or name for module, name in used}
    assert modules <= {"statics", "geometry", "stability", "status_csv"}


@pytest.mark.parametrize("name", ["field-attachment", "field-hook-block"])
def test_an_attachment_hangs_between_the_lifts_and_is_in_no_mass(name: str) -> None:
    crane = CASES.crane(name)
    assert crane.attachment is not None
    record = record_of(crane)
    hangs = hook_mass_kg(crane, record, np.asarray(record.truth.structural_pct, float))
    arm = arm_m(crane, record)
    between = empty(record) & (arm > 1.0)
    assert np.count_nonzero(between) > 1000
    assert np.median(hangs[between]) == pytest.approx(crane.attachment.masses_kg[0], abs=5)
    for lift in record.truth.lifts:
        carried = (record.t_ms > lift.started_ms + 4000) & (record.t_ms < lift.ended_ms - 4000) & (arm > 1.0)
        assert np.median(hangs[carried]) == pytest.approx(
            lift.mass_kg + crane.attachment.masses_kg[0], rel=0.08
        )


def test_attachments_are_put_on_and_taken_off_between_lifts() -> None:
    crane = replace(CASES.crane("field-change"), attachment=Attachment(masses_kg=(0, 350), change_share=0.3))
    record = record_of(crane)
    hangs = hook_mass_kg(crane, record, np.asarray(record.truth.structural_pct, float))
    far = arm_m(crane, record) > 1.0
    free = hangs[empty(record) & far]
    none, fitted = np.abs(free) < 40, np.abs(free - 350) < 40
    assert min(np.count_nonzero(none), np.count_nonzero(fitted)) > 300
    assert np.count_nonzero(none | fitted) > 0.9 * free.size  # the rest is the change itself


def test_without_an_attachment_the_same_loads_are_planned_as_before() -> None:
    crane = CASES.crane("field-change")
    bare = record_of(replace(crane, attachment=None))
    fitted = record_of(replace(crane, attachment=Attachment(masses_kg=(0,), change_share=0.5)))
    assert bare.truth.lifts == fitted.truth.lifts


@pytest.mark.parametrize(("name", "factor"), [("field-heavy-booms", 1.1), ("field-light-booms", 0.9)])
def test_booms_are_not_as_heavy_as_their_type_says(name: str, factor: float) -> None:
    crane = CASES.crane(name)
    record = record_of(crane)
    described = crane.crane.type
    booms = 100 * self_moment_kn_m(described, *sent_pose(record)) / described.rated_moment_kn_m
    between = empty(record) & (booms > 5)
    assert np.median(
        np.asarray(record.truth.structural_pct, float)[between] / booms[between]
    ) == pytest.approx(factor, rel=0.01)


def test_swinging_loads_sway_by_their_share() -> None:
    crane = CASES.crane("field-swing")
    still = record_of(replace(crane, habit=Habit()))
    swaying = record_of(crane)
    lift = max(still.truth.lifts, key=lambda each: each.ended_ms - each.started_ms)
    during = (still.t_ms > lift.started_ms + 3000) & (still.t_ms < lift.ended_ms - 3000)
    share = (swaying.truth.structural_pct - still.truth.structural_pct)[during]
    assert np.max(np.abs(share)) > 0.1 * crane.habit.swing * lift.peak_structural_pct
    turns = np.count_nonzero(np.diff(np.sign(share)) != 0)
    period_s = swing_period_s(crane.machine.dynamics.sling_m)
    assert turns == pytest.approx(2 * np.count_nonzero(during) * 0.2 / period_s, abs=2)
    assert len(swaying.truth.lifts) == len(still.truth.lifts)


def test_spikes_are_single_readings_and_no_part_of_the_truth() -> None:
    crane = CASES.crane("field-spikes")
    record, well = record_of(crane), record_of(without_faults(crane))
    apart = np.flatnonzero(np.abs(structural(record) - structural(well)) > 20)
    assert 2 <= apart.size <= 60
    assert np.count_nonzero(record.channels["utilisation_pct"] > 140) >= 2
    assert record.truth.lifts == well.truth.lifts


def test_a_stuck_reading_says_one_thing_all_day() -> None:
    record = record_of(CASES.crane("field-stuck"))
    assert set(record.channels["utilisation_pct"].tolist()) == {100.0}
    assert np.ptp(record.truth.structural_pct) > 20


def test_losses_last_minutes() -> None:
    crane = CASES.crane("field-dropouts")
    record = record_of(crane)
    lost = np.isnan(record.channels["utilisation_pct"])
    edges = np.flatnonzero(np.diff(np.concatenate(([False], lost, [False]))))
    longest_s = float(np.max(np.diff(edges)[::2])) * 0.2
    assert 60 < longest_s < 600
    assert np.mean(lost) > 0.05


@pytest.mark.parametrize(
    ("name", "channel", "factor"),
    [
        ("field-fraction", "utilisation_pct", 0.01),
        ("field-radians", "knuckle_boom_deg", np.pi / 180),
        ("field-millimetres", "extension_m", 1000.0),
        ("field-no-limit", "limit_pct", 0.0),
    ],
)
def test_a_wrong_unit_is_the_same_reading_times_a_factor(name: str, channel: str, factor: float) -> None:
    crane = CASES.crane(name)
    wrong, right = record_of(crane, 1000), record_of(without_faults(crane), 1000)
    np.testing.assert_allclose(
        wrong.channels[channel], right.channels[channel] * factor, rtol=1e-4, atol=1e-4
    )
    assert wrong.truth.lifts == right.truth.lifts


def test_a_channel_that_is_not_sent_is_not_there() -> None:
    record = record_of(CASES.crane("field-limit-unsent"), 1000)
    assert "limit_pct" not in record.channels
    assert all(b"limit_pct" not in message.payload for message in outgoing(record))


def test_a_clock_set_back_goes_back_once_within_a_boot() -> None:
    crane = CASES.crane("field-clock-set-back")
    wrong, right = record_of(crane), record_of(without_faults(crane))
    order = np.argsort(wrong.batches.seq)
    assert np.count_nonzero(np.diff(wrong.batches.t0_ms[order]) < 0) == 1
    assert (np.diff(wrong.t_ms) < 0).sum() == 1
    moved = right.batches.t0_ms - wrong.batches.t0_ms
    assert set(moved.tolist()) == {0, 2_400_000}
    assert wrong.truth.lifts == right.truth.lifts
    assert late_messages(wrong) == late_messages(right)


def test_a_clock_far_ahead_is_set_right_during_the_day() -> None:
    crane = CASES.crane("field-clock-ahead")
    wrong, right = record_of(crane), record_of(without_faults(crane))
    ahead = wrong.batches.t0_ms - right.batches.t0_ms
    assert set(ahead.tolist()) == {0, 1_262_304_000_000}
    assert np.mean(ahead > 0) == pytest.approx(crane.faults.clock_jump_at, abs=0.02)
    for event in wrong.events:
        assert (event.at_ms - event.send_ms > 1e12) == (event.seq < wrong.clock_jump_seq)


def test_a_clock_behind_is_behind_all_day() -> None:
    crane = CASES.crane("field-clock-behind")
    wrong, right = record_of(crane, 1000), record_of(without_faults(crane), 1000)
    assert set((right.t_ms - wrong.t_ms).tolist()) == {400 * 86_400_000}
    assert (right.batches.send_ms == wrong.batches.send_ms).all()


def test_a_step_stated_too_short_leaves_time_between_messages() -> None:
    crane = CASES.crane("field-short-step")
    wrong, right = record_of(crane), record_of(without_faults(crane))
    assert (wrong.batches.t0_ms == right.batches.t0_ms).all()
    assert (10 * wrong.batches.dt_ms == right.batches.dt_ms).all()
    assert wrong.truth.lifts == right.truth.lifts


def test_each_session_of_a_day_is_a_start_of_the_sender() -> None:
    """Within a boot messages follow each other without a pause; between boots the crane was off."""
    record = record_of(CASES.crane("field-attachment"))
    batches = record.batches
    boot = np.array([record.boot_of(int(seq)) for seq in batches.seq])
    pause_ms = np.diff(batches.t0_ms) - (batches.n * batches.dt_ms)[:-1]
    assert len(set(boot.tolist())) == len(record.boots) > 2
    assert (pause_ms[boot[1:] == boot[:-1]] == 0).all()
    assert (pause_ms[boot[1:] != boot[:-1]] > 0).all()


def test_two_boxes_under_one_name_interleave_in_time() -> None:
    boxes = [crane for crane in CASES.cranes if crane.name == "field-two-boxes"]
    by_day: dict[date, list[DayRecord]] = {}
    for record in generate(boxes, DAY, 5, dt_ms=1000):
        by_day.setdefault(record.day, []).append(record)
    one, other = next(records for records in by_day.values() if len(records) == 2)
    assert one.boot != other.boot
    assert one.crane == other.crane
    assert max(one.t_ms[0], other.t_ms[0]) < min(one.t_ms[-1], other.t_ms[-1])


def test_loads_need_not_be_heavy_enough_to_be_found() -> None:
    crane = CASES.crane("field-light-loads")
    light, usual = record_of(crane), record_of(replace(crane, habit=Habit()))
    assert min(lift.mass_kg for lift in light.truth.lifts) < min(lift.mass_kg for lift in usual.truth.lifts)
