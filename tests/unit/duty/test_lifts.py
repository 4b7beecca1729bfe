"""Lifts: found as an observer would, and the same wherever the record is cut."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from domain.channels import Mode
from domain.crane import CraneType
from domain.errors import InvalidInput
from duty.geometry import pose
from duty.lift_signals import LiftSignals
from duty.lifts import (
    EMPTY_PART,
    FoundLift,
    LiftPart,
    LiftRule,
    find,
    from_bytes,
    inside,
    lifts,
    merge,
    merge_all,
    signals,
    smallest_lift_kg,
    to_bytes,
)
from duty.statics import load_moment_kn_m, self_moment_kn_m, utilisation_pct
from tests.unit.duty.lifts_slowly import lifts_slowly

STEP_MS = 100
MIDNIGHT_MS = 1_767_225_600_000  # 2026-01-01T00:00Z


def plain(utilisation: list[float] | np.ndarray, step_ms: int = STEP_MS, start_ms: int = 0) -> LiftSignals:
    values = np.asarray(utilisation, float)
    time = start_ms + step_ms * np.arange(values.size)
    return LiftSignals(time, np.full(values.size, step_ms), values, values.copy())


def cut(samples: LiftSignals, at: list[int]) -> list[LiftSignals]:
    edges = [0, *sorted(at), samples.time_ms.size]
    return [
        LiftSignals(*(None if a is None else a[i:j] for a in samples))
        for i, j in zip(edges, edges[1:], strict=False)
    ]


class Crane:
    """Work move by move at 10 Hz: (seconds, mass on the hook, main boom, extension) reached at the end of each."""

    def __init__(self, crane_type: CraneType, mass_kg: float = 0.0) -> None:
        self.type = crane_type
        self.keys = [(0.0, mass_kg, 20.0, 1.0)]

    def hold(self, seconds: float, mass_kg: float | None = None) -> "Crane":
        """Stays at the pose while the mass changes, or not."""
        return self.go(seconds, self.keys[-1][2], self.keys[-1][3], mass_kg)

    def go(self, seconds: float, main: float, out: float, mass_kg: float | None = None) -> "Crane":
        """Moves the booms."""
        mass = self.keys[-1][1] if mass_kg is None else mass_kg
        self.keys.append((self.keys[-1][0] + seconds, mass, main, out))
        return self

    def lift(self, mass_kg: float, tool_kg: float = 0.0) -> "Crane":
        """Picks up, carries out, sets down, and comes back."""
        self.hold(8).hold(2, tool_kg + mass_kg).go(12, 45, 1).go(10, 15, 2.5).hold(3)
        return self.hold(2, tool_kg).hold(8).go(15, 20, 1)

    def channels(
        self, *, zero_pct: float = 0.0, limit: float = 100.0
    ) -> tuple[np.ndarray, dict[str, np.ndarray]]:
        """Times [ms] and channels; zero_pct is what the sensor reads too high, of the rating."""
        at, mass, main, out = np.array(self.keys).T
        t = np.arange(0.0, at[-1], 0.1)
        channels = {
            "main_boom_deg": np.interp(t, at, main),
            "knuckle_boom_deg": np.full(t.size, 5.0),
            "extension_m": np.interp(t, at, out),
            "limit_pct": np.full(t.size, limit),
        }
        angles = [channels[name] for name in ("main_boom_deg", "knuckle_boom_deg", "extension_m")]
        own = self_moment_kn_m(self.type, *angles) + zero_pct / 100 * self.type.rated_moment_kn_m
        load = load_moment_kn_m(self.type, np.interp(t, at, mass), pose(self.type, *angles).outreach_m)
        channels["utilisation_pct"] = utilisation_pct(self.type, own, load, limit)
        return np.rint(1000 * t).astype(np.int64), channels

    def found(self, *, zero_pct: float = 0.0, limit: float = 100.0) -> list[FoundLift]:
        """The lifts of the work."""
        time, channels = self.channels(zero_pct=zero_pct, limit=limit)
        return lifts(find(signals(self.type, time, channels)))


MASSES = [900.0, 500.0, 1200.0, 650.0, 800.0]


@pytest.mark.parametrize("tool_kg", [0.0, 150.0, 350.0])
@pytest.mark.parametrize("zero_pct", [-3.0, 0.0, 3.0, 5.0])
def test_every_lift_is_found_whatever_hangs_on_the_hook_and_whatever_the_zero(
    round_type: CraneType, tool_kg: float, zero_pct: float
) -> None:
    crane = Crane(round_type, tool_kg).hold(20)
    for mass in MASSES:
        crane.lift(mass, tool_kg)
    found = crane.hold(30).found(zero_pct=zero_pct)
    assert len(found) == len(MASSES)
    # a zero of z per cent is another mass at another pose; an attachment is the same everywhere
    np.testing.assert_allclose([lift.mass_kg for lift in found], MASSES, rtol=0.05 + abs(zero_pct) / 30)


def test_the_limit_makes_a_lift_heavy_for_the_operator_and_light_for_the_steel(round_type: CraneType) -> None:
    work = Crane(round_type).hold(20).lift(900).lift(600)
    for one, other in zip(work.found(), work.found(limit=50.0), strict=True):
        assert other.peak_utilisation_pct == pytest.approx(2 * one.peak_utilisation_pct, rel=0.01)
        assert other.peak_structural_pct == pytest.approx(one.peak_structural_pct, rel=0.01)
        assert other.mass_kg == pytest.approx(one.mass_kg, rel=0.02)


def test_moving_about_without_a_load_is_no_lift(round_type: CraneType) -> None:
    heavy = round_type.model_copy(update={"rated_moment_kn_m": 60.0})
    empty = Crane(heavy, 55.0).hold(20)
    for _ in range(4):
        empty.go(12, 70, 0).hold(9).go(15, 0, 3).hold(9)
    time, channels = empty.channels(zero_pct=2.0)
    assert np.ptp(channels["utilisation_pct"]) > 40
    assert lifts(find(signals(heavy, time, channels))) == []
    blind = lifts(find(signals(None, time, channels)))
    assert len(blind) >= 4  # said in docs/method.md: without a pose it cannot be told from a load
    assert {lift.mass_kg for lift in blind} == {None}


@pytest.mark.parametrize("zero_pct", [-3.0, 3.0, 5.0])
@pytest.mark.parametrize("offset_s", [0.0, 1.0, 2.0, 3.0])
def test_a_boom_folded_quickly_under_a_wrong_zero_is_no_lift(
    round_type: CraneType, zero_pct: float, offset_s: float
) -> None:
    """Close to the column a percent is much mass, and within one cell the capacity changes many times over."""
    crane = Crane(round_type).hold(20 + offset_s).lift(800)
    for seconds in (4, 6, 9):
        crane.go(seconds, 77, 0).hold(700).go(seconds, 15, 2.5).hold(25)
    assert len(crane.lift(800).found(zero_pct=zero_pct)) == 2


def test_start_end_and_loaded_time_are_right_to_a_sample_where_the_load_comes_and_goes_at_once() -> None:
    samples = plain([5] * 200 + [40] * 40 + [64] + [40] * 160 + [5] * 200)
    (lift,) = lifts(find(samples))
    assert abs(lift.start_ms - 20_000) <= 1 * STEP_MS
    assert abs(lift.end_ms - 40_000) <= 2 * STEP_MS
    assert lift.loaded_ms == pytest.approx(20_100, abs=300)
    assert lift.peak_utilisation_pct == 64


# Where the truth is a convention: docs/method.md, section 5


def test_a_pallet_set_down_in_parts_is_one_lift_that_ends_with_the_last_part(round_type: CraneType) -> None:
    crane = Crane(round_type).hold(20).hold(2, 1200).go(10, 30, 2)
    for left in (900.0, 600.0, 300.0, 0.0):
        last_s = crane.keys[-1][0]
        crane.hold(2, left).hold(40)
    (lift,) = crane.found()
    assert lift.end_ms / 1000 == pytest.approx(last_s, abs=4)


def test_a_load_held_for_an_hour_is_one_lift(round_type: CraneType) -> None:
    (lift,) = Crane(round_type).hold(20).hold(2, 900).go(10, 40, 2).hold(3600).hold(2, 0).hold(60).found()
    assert lift.loaded_ms == pytest.approx(3_613_000, abs=4000)


def test_every_bite_of_a_grab_is_a_lift(round_type: CraneType) -> None:
    crane = Crane(round_type).hold(20).hold(2, 300).hold(20)
    for bite in (400.0, 300.0, 500.0, 350.0):
        crane.lift(bite, 300)
    masses = [lift.mass_kg for lift in crane.found()]
    np.testing.assert_allclose(masses, [400, 300, 500, 350], rtol=0.05)


def test_an_attachment_changed_between_two_lifts_is_none(round_type: CraneType) -> None:
    crane = Crane(round_type).hold(20).lift(800)
    crane.hold(2, 350).hold(30).lift(700, 350).lift(650, 350).hold(2, 0).hold(30)
    found = crane.hold(2, 150).hold(30).lift(600, 150).found()
    np.testing.assert_allclose([lift.mass_kg for lift in found], [800, 700, 650, 600], rtol=0.05)
    assert all(lift.loaded_ms < 40_000 for lift in found)
    # on for one lift only, it cannot be told from a part of the load: one lift, as long as it was on
    once = Crane(round_type).hold(20).hold(2, 350).hold(30).lift(700, 350).hold(2, 0).hold(30).found()
    assert [lift.loaded_ms > 80_000 for lift in once] == [True]


def test_a_basket_whose_load_stays_is_one_lift_a_trip(round_type: CraneType) -> None:
    crane = Crane(round_type, 120).hold(20)
    for _ in range(2):
        crane.hold(5, 300).go(20, 60, 3).hold(600).go(20, 20, 1).hold(5, 120).hold(30)
    assert len(crane.found()) == 2
    stepping_out = Crane(round_type, 120).hold(20).hold(5, 300).go(20, 60, 3)
    stepping_out.hold(5, 160).hold(60).hold(5, 300).go(20, 20, 1).hold(5, 120).hold(30)
    assert len(stepping_out.found()) == 2  # who steps out aloft and back again makes another


@pytest.mark.parametrize("tool_kg", [0.0])
def test_the_boom_pushing_down_or_resting_is_no_lift(round_type: CraneType, tool_kg: float) -> None:
    crane = Crane(round_type, tool_kg).hold(20)
    for _ in range(3):
        crane.hold(3, -600).hold(20).hold(3, tool_kg).hold(20)
    assert crane.found() == []
    assert len(crane.lift(800, tool_kg).found()) == 1


def test_a_load_lighter_than_the_smallest_lift_is_none_and_one_above_it_is(round_type: CraneType) -> None:
    angles = (20.0, 5.0, 1.0)
    smallest = float(smallest_lift_kg(round_type, pose(round_type, *angles).outreach_m))
    for share, count in ((0.9, 0), (1.1, 1)):
        work = Crane(round_type).hold(20).lift(800).hold(2, share * smallest).hold(20).hold(2, 0).hold(20)
        assert len(work.found()) == 1 + count
    assert np.isnan(smallest_lift_kg(round_type, round_type.pivot_offset_m + 0.9))
    half = float(
        smallest_lift_kg(round_type, 6.0, 50.0)
    )  # less moment for one percent, and more percent of the booms
    assert 0.5 < half / float(smallest_lift_kg(round_type, 6.0)) < 0.75
    assert smallest_lift_kg(round_type, 6.0, rule=LiftRule(light_share=1.0)) == pytest.approx(
        2 * 1.25 / 100 * round_type.rated_moment_kn_m * 1000 / (9.80665 * (6.0 - round_type.pivot_offset_m))
    )


def test_the_same_mass_on_both_sides_of_a_gap_is_one_lift_loaded_for_its_recorded_time() -> None:
    samples = plain([5] * 300 + [60] * 300 + [float("nan")] * 3000 + [60] * 300 + [5] * 300)
    (lift,) = lifts(find(samples))
    assert lift.loaded_ms == 60_000
    assert lift.end_ms - lift.start_ms == 360_000 - STEP_MS
    other = plain([5] * 300 + [60] * 300 + [float("nan")] * 3000 + [5] * 300 + [60] * 300 + [5] * 300)
    first, second = lifts(find(other))
    assert (first.end_ms, second.start_ms) == (60_000 - STEP_MS, 390_000)


def test_a_load_that_came_and_went_unseen_is_a_lift_where_only_the_far_part_was(
    round_type: CraneType,
) -> None:
    work = Crane(round_type).go(20, 75, 0).hold(20).hold(2, 250).go(15, 5, 3).hold(30)
    time, channels = work.go(15, 75, 0).hold(2, 0).hold(40).channels()
    seen = (time < 38_000) | ((time > 60_000) & (time < 86_000)) | (time > 108_000)
    (lift,) = lifts(
        find(signals(round_type, time[seen], {name: each[seen] for name, each in channels.items()}))
    )
    assert lift.start_ms == pytest.approx(60_000, abs=200)
    assert lift.peak_utilisation_pct == pytest.approx(channels["utilisation_pct"][seen].max(), abs=0.5)


def test_swinging_up_to_six_seconds_splits_no_lift_and_a_load_of_eight_seconds_is_seen() -> None:
    t = np.arange(0, 120, 0.1)
    for period in (2.0, 4.5, 6.0):
        swung = plain(np.where((t > 30) & (t < 90), 60 + 25 * np.sin(2 * np.pi * t / period), 5))
        assert len(lifts(find(swung))) == 1
    for start in range(40):
        short = plain([5] * (300 + start) + [60] * 80 + [5] * 300)
        assert len(lifts(find(short))) == 1


def test_transport_is_no_lift_and_emergency_is() -> None:
    samples = plain([0] * 100 + [40] * 100 + [0] * 100)
    for mode, expected in ((Mode.TRANSPORT, 0), (Mode.EMERGENCY, 1), (Mode.STABILISER, 1), (float("nan"), 1)):
        in_mode = samples._replace(mode=np.full(samples.time_ms.size, float(mode)))
        assert len(lifts(find(in_mode))) == expected


def test_slewing_travel_takes_the_shorter_way_and_bridges_missing_readings() -> None:
    samples = plain([40] * 90)
    slew = np.concatenate([np.full(40, 170.0), np.linspace(170, 179, 25), np.linspace(-180, -170, 25)])
    slew[50] = np.nan
    (lift,) = lifts(find(samples._replace(slew_deg=slew)))
    assert lift.slew_travel_deg == pytest.approx(9 + 1 + 10, abs=0.025)


def test_a_lift_over_midnight_is_one_and_belongs_to_the_day_it_began() -> None:
    samples = plain([0] * 50 + [40] * 300 + [0] * 50, start_ms=MIDNIGHT_MS - 15_000)
    before = int(np.searchsorted(samples.time_ms, MIDNIGHT_MS))
    days = [find(part) for part in cut(samples, [before])]
    assert [len(lifts(day)) for day in days] == [1, 1]  # seen alone, each day has a piece
    (lift,) = lifts(merge_all(days))
    assert lift.start_ms < MIDNIGHT_MS < lift.end_ms


def test_the_pose_of_half_of_the_readings_decides_and_the_rest_is_told(round_type: CraneType) -> None:
    time, channels = Crane(round_type).hold(20).lift(900).lift(700).channels()
    for blind_share, posed in ((0.3, True), (0.7, False)):
        blind = int(blind_share * time.size)
        some = {
            **channels,
            "main_boom_deg": np.where(np.arange(time.size) < blind, np.nan, channels["main_boom_deg"]),
        }
        part = find(signals(round_type, time, some))
        assert part.posed is posed
        assert part.no_pose_ms == blind * STEP_MS
    never = find(signals(None, time, channels))
    assert (never.posed, never.no_pose_ms) == (False, time.size * STEP_MS)


loads = st.sampled_from([0.0, 1.0, 3.0, 12.0, 14.0, 21.0, 25.0, 60.0, -4.0, -12.0, float("nan")])


@st.composite
def records(draw: st.DrawFn) -> tuple[LiftSignals, bool]:
    """Blocks of equal load with noise, drop-outs, uneven steps and gaps, all readings; with and without pose."""
    blocks = draw(st.lists(st.tuples(loads, st.integers(1, 9)), min_size=1, max_size=30))
    load = np.concatenate([np.full(n, level) for level, n in blocks])
    n = load.size
    step = np.array(
        draw(st.lists(st.sampled_from([100, 500, 900, 3000, 4100, 90_000]), min_size=n, max_size=n))
    )
    rng = np.random.default_rng(draw(st.integers(0, 2**32 - 1)))
    posed = draw(st.booleans())
    base = np.where(rng.random(n) < 0.1, np.nan, rng.uniform(0, 30, n)) if posed else np.zeros(n)
    utilisation = load + np.where(np.isnan(base), 10.0, base) + rng.choice([0.0, 0.3], n)
    arm = np.where(rng.random(n) < 0.1, 0.7, rng.uniform(1, 20, n) if draw(st.booleans()) else 5.0)
    samples = LiftSignals(
        np.cumsum(step),
        np.minimum(step, 1000),
        utilisation,
        utilisation * rng.uniform(0.3, 1.0, n),
        base if posed else None,
        300.0 / arm if posed else None,
        arm if posed else None,
        np.where(rng.random(n) < 0.5, np.nan, rng.uniform(1, 20, n)).astype(np.float32),
        np.where(rng.random(n) < 0.1, np.nan, rng.uniform(-720, 720, n)).astype(np.float32),
        rng.choice([0.0, 1.0, 2.0, 3.0], n, p=[0.1, 0.3, 0.3, 0.3]) if draw(st.booleans()) else None,
        rng.uniform(0, 100, n).astype(np.float32),
    )
    return samples, posed


RULES = (LiftRule(), LiftRule(tolerance_pct=1.0, plain_tolerance_pct=2.0, cell_ms=1000))


@settings(max_examples=400, deadline=None)
@given(record=records(), rule=st.sampled_from(RULES), data=st.data())
def test_cutting_anywhere_in_any_tree_gives_the_same_part(
    record: tuple[LiftSignals, bool], rule: LiftRule, data: st.DataObject
) -> None:
    samples, posed = record
    whole = find(samples, rule, posed=posed)
    n = samples.time_ms.size
    cuts = data.draw(st.lists(st.integers(0, n), max_size=n), "cuts")
    parts = [find(part, rule, posed=posed) for part in cut(samples, cuts)]
    while len(parts) > 1:
        at = data.draw(st.integers(0, len(parts) - 2), "merged")
        parts[at : at + 2] = [merge(parts[at], parts[at + 1])]
    assert parts[0] == whole
    assert lifts(parts[0]) == lifts(whole)


@settings(deadline=None)
@given(record=records())
def test_every_single_sample_a_part_of_its_own(record: tuple[LiftSignals, bool]) -> None:
    samples, posed = record
    parts = [find(part, posed=posed) for part in cut(samples, list(range(1, samples.time_ms.size)))]
    assert merge_all(parts) == find(samples, posed=posed)


@settings(max_examples=400, deadline=None)
@given(record=records(), rule=st.sampled_from(RULES))
def test_lifts_found_slowly_cell_by_cell_are_the_same(
    record: tuple[LiftSignals, bool], rule: LiftRule
) -> None:
    """An independent reading of the rule, without rows, parts or compiled code."""
    samples, posed = record
    found = lifts(find(samples, rule, posed=posed))
    slowly = lifts_slowly(samples, rule, posed)
    assert len(found) == len(slowly)
    for lift, (start_ms, end_ms, loaded_ms, extremes, mass_kg) in zip(found, slowly, strict=True):
        assert (lift.start_ms, lift.end_ms, lift.loaded_ms, lift.mass_kg) == (
            start_ms,
            end_ms,
            loaded_ms,
            mass_kg,
        )
        seen = (
            *(lift.peak_utilisation_pct, lift.peak_structural_pct, lift.peak_outreach_m or np.nan),
            *(lift.least_left_pct, lift.slew_travel_deg),
        )
        np.testing.assert_array_equal(seen, extremes)


@settings(max_examples=100, deadline=None)
@given(record=records(), data=st.data())
def test_stretches_of_whole_cells_merge_to_the_same_lifts(
    record: tuple[LiftSignals, bool], data: st.DataObject
) -> None:
    samples, posed = record
    edges = np.flatnonzero(np.diff(samples.time_ms // 4000)) + 1
    cuts = data.draw(st.lists(st.sampled_from([0, *edges.tolist()]), max_size=8), "cuts")
    parts = [find(part, posed=posed, whole_cells=True) for part in cut(samples, cuts)]
    assert all(part.first.size == part.last.size == 0 for part in parts)
    merged = merge_all(parts)
    assert merged == find(samples, posed=posed, whole_cells=True)
    assert lifts(merged) == lifts(find(samples, posed=posed))


@settings(deadline=None)
@given(record=records())
def test_bytes_bring_the_part_back(record: tuple[LiftSignals, bool]) -> None:
    samples, posed = record
    for whole_cells in (True, False):
        part = find(samples, posed=posed, whole_cells=whole_cells)
        assert from_bytes(to_bytes(part)) == part
        assert lifts(from_bytes(to_bytes(part))) == lifts(part)


def test_a_long_record_keeps_a_few_rows_and_its_lifts() -> None:
    rng = np.random.default_rng(4)
    blocks = [np.full(300, level) for _ in range(60) for level in (5.0, rng.uniform(40, 90))]
    part = find(plain(np.concatenate(blocks) + rng.normal(0, 0.3, 36_000)), whole_cells=True)
    assert part.settled
    assert part.found.size == 58  # the first and the last hang on what may come before and after
    assert part.head.size + part.tail.size < 60
    assert len(lifts(part)) == 60


def test_damaged_bytes_are_refused() -> None:
    good = to_bytes(find(plain([40] * 50)))
    for bad in (b"", b"nonsense" * 20, good[:-1], good[:-1] + bytes([good[-1] ^ 1])):
        with pytest.raises(InvalidInput, match="again"):
            from_bytes(bad)


def test_an_empty_part_is_neutral() -> None:
    part = find(plain([40] * 50))
    assert merge(EMPTY_PART, part) == part == merge(part, EMPTY_PART)
    assert merge_all([]) == EMPTY_PART
    assert find(plain([float("nan")] * 5)) == EMPTY_PART
    assert lifts(EMPTY_PART) == []


def test_parts_out_of_order_or_of_other_rules_are_refused(round_type: CraneType) -> None:
    early, late = find(plain([40] * 5)), find(plain([40] * 5, start_ms=10_000))
    with pytest.raises(InvalidInput, match="time order"):
        merge(late, early)
    with pytest.raises(InvalidInput, match="different rules"):
        merge(early, find(plain([40] * 5, start_ms=10_000), RULES[1]))
    time, channels = Crane(round_type).hold(20).lift(500).channels()
    with pytest.raises(InvalidInput, match="different rules"):
        merge(early, find(signals(round_type, time + 10_000, channels)))
    with pytest.raises(InvalidInput, match="share a cell"):
        merge(early, find(plain([40] * 5, start_ms=600), whole_cells=True))
    for whole_cells in (True, False):
        with pytest.raises(InvalidInput, match="rise in time"):
            find(plain([40, 40])._replace(time_ms=np.array([5, 5])), whole_cells=whole_cells)
    with pytest.raises(InvalidInput, match="length 2"):
        find(plain([40, 40])._replace(slew_deg=np.zeros(3)))
    with pytest.raises(InvalidInput, match="utilisation_pct"):
        signals(None, [0], {"limit_pct": np.array([100.0])})


@pytest.mark.parametrize(
    "bad",
    [
        {"tolerance_pct": 0.0},
        {"plain_tolerance_pct": 51.0},
        {"least_arm_m": 0.0},
        {"cell_ms": 7_000},
        {"zero_pct": -1.0},
        {"light_share": 0.0},
        {"light_share": 1.1},
    ],
)
def test_a_rule_that_cannot_be_is_refused(bad: dict[str, float]) -> None:
    with pytest.raises(InvalidInput):
        LiftRule(**bad)  # type: ignore[arg-type]


def test_events_are_counted_inside_a_lift_ends_included() -> None:
    found = lifts(find(plain([0] * 100 + [40] * 100 + [0] * 100 + [40] * 100)))
    starts = [lift.start_ms for lift in found]
    events = [starts[1], starts[0] - 1, starts[0], found[0].end_ms, found[0].end_ms + 1]
    assert inside(found, events).tolist() == [2, 1]
    assert inside([], events).tolist() == []
    assert inside(found, []).tolist() == [0, 0]


def test_a_part_equals_only_a_part() -> None:
    assert LiftPart() != "no part"
