"""Lifts: found as an observer would, and the same wherever the record is cut."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from domain.channels import Mode
from domain.crane import CraneType
from domain.errors import InvalidInput
from duty.geometry import pose
from duty.lift_runs import LiftSignals
from duty.lifts import (
    EMPTY_PART,
    LiftPart,
    LiftRule,
    find,
    from_bytes,
    inside,
    lifts,
    merge,
    merge_all,
    signals,
    to_bytes,
)
from duty.statics import load_moment_kn_m, self_moment_kn_m, utilisation_pct

STEP_MS = 100
MIDNIGHT_MS = 1_767_225_600_000  # 2026-01-01T00:00Z


def plain(utilisation: list[float] | np.ndarray, step_ms: int = STEP_MS, start_ms: int = 0) -> LiftSignals:
    values = np.asarray(utilisation, float)
    return LiftSignals(start_ms + step_ms * np.arange(values.size), values, values.copy())


def cut(samples: LiftSignals, at: list[int]) -> list[LiftSignals]:
    edges = [0, *sorted(at), samples.time_ms.size]
    return [
        LiftSignals(*(None if a is None else a[i:j] for a in samples))
        for i, j in zip(edges, edges[1:], strict=False)
    ]


def work_day(crane_type: CraneType, seed: int, *, limit: float = 100.0) -> tuple[LiftSignals, list[float]]:
    """Empty moves and loaded moves alternating at 10 Hz, with pressure noise; masses of the loaded ones."""
    rng = np.random.default_rng(seed)
    main, out, slew, mass, masses = [20.0], [0.0], [0.0], [0.0], []
    for cycle in range(12):
        loaded = cycle % 2 == 1
        kg = float(rng.uniform(500, 1200)) if loaded else 0.0
        masses += [kg] if loaded else []
        n = int(rng.integers(150, 400))
        main += list(np.linspace(main[-1], rng.uniform(5, 60), n))
        out += list(np.linspace(out[-1], rng.uniform(0, 3), n))
        slew += list(np.linspace(slew[-1], rng.uniform(-170, 170), n))
        mass += list(np.clip(np.linspace(0, 8, n), 0, 1) * np.clip(np.linspace(8, 0, n), 0, 1) * kg)
    channels = {
        "main_boom_deg": np.array(main),
        "knuckle_boom_deg": np.full(len(main), 5.0),
        "extension_m": np.array(out),
        "slew_deg": np.array(slew),
        "limit_pct": np.full(len(main), limit),
    }
    at = (channels["main_boom_deg"], channels["knuckle_boom_deg"], channels["extension_m"])
    own = self_moment_kn_m(crane_type, *at)
    load = load_moment_kn_m(crane_type, mass, pose(crane_type, *at).outreach_m)
    noise = rng.normal(0, 0.8, own.size)
    channels["utilisation_pct"] = utilisation_pct(crane_type, own, load, limit) + noise
    return signals(crane_type, STEP_MS * np.arange(own.size), channels), masses


@pytest.mark.parametrize("seed", range(5))
def test_every_loaded_move_is_one_lift_and_no_empty_move_is(round_type: CraneType, seed: int) -> None:
    samples, masses = work_day(round_type, seed)
    found = lifts(find(samples))
    assert len(found) == len(masses)
    np.testing.assert_allclose([lift.mass_kg for lift in found], masses, rtol=0.06)


def test_the_booms_alone_pass_the_plain_threshold_but_are_no_lift(round_type: CraneType) -> None:
    heavy = round_type.model_copy(update={"rated_moment_kn_m": 60.0})
    out = np.concatenate([np.zeros(100), np.linspace(0, 3, 200), np.full(100, 3.0)])
    own = self_moment_kn_m(heavy, 0.0, 0.0, out)
    channels = {"utilisation_pct": utilisation_pct(heavy, own, 0.0)}
    assert channels["utilisation_pct"].max() > 60
    blind = lifts(find(signals(None, STEP_MS * np.arange(out.size), channels)))
    channels |= {
        "main_boom_deg": np.zeros(out.size),
        "knuckle_boom_deg": np.zeros(out.size),
        "extension_m": out,
    }
    seeing = lifts(find(signals(heavy, STEP_MS * np.arange(out.size), channels)))
    assert len(blind) == 1  # said in docs/method.md: without angles an empty reach-out may count
    assert blind[0].mass_kg is None
    assert blind[0].peak_outreach_m is None
    assert seeing == []


def test_a_stability_limited_lift_is_heavy_for_the_operator_and_light_for_the_steel(
    round_type: CraneType,
) -> None:
    free, _ = work_day(round_type, 1, limit=100.0)
    limited, _ = work_day(round_type, 1, limit=50.0)
    for one, other in zip(lifts(find(free)), lifts(find(limited)), strict=True):
        assert other.peak_utilisation_pct == pytest.approx(2 * one.peak_utilisation_pct, rel=0.1)
        assert other.peak_structural_pct == pytest.approx(one.peak_structural_pct, rel=0.1)
        assert other.mass_kg == pytest.approx(one.mass_kg, rel=0.02)
        assert one.peak_structural_pct == one.peak_utilisation_pct
        assert other.peak_structural_pct == pytest.approx(other.peak_utilisation_pct / 2)


def test_start_end_and_peaks_are_those_of_the_loaded_samples() -> None:
    samples = plain([0] * 20 + [20] * 5 + [30] * 40 + [64] + [20] * 10 + [0] * 50)
    (lift,) = lifts(find(samples))
    assert lift.start_ms == 25 * STEP_MS  # 20 lies between the thresholds: not yet a lift
    assert lift.end_ms == 75 * STEP_MS  # and still one afterwards
    assert lift.peak_utilisation_pct == 64


def test_a_short_set_down_does_not_split_a_lift_and_a_blip_is_none() -> None:
    dip = [0] * 50 + [40] * 50 + [0] * 28 + [40] * 50 + [0] * 50  # 2.9 s
    assert len(lifts(find(plain(dip)))) == 1
    apart = [0] * 50 + [40] * 50 + [0] * 29 + [40] * 50 + [0] * 50  # 3.0 s
    assert len(lifts(find(plain(apart)))) == 2
    blip = [0] * 50 + [40] * 20 + [0] * 50  # 1.9 s from first to last sample
    assert lifts(find(plain(blip))) == []
    assert len(lifts(find(plain([0] * 50 + [40] * 21 + [0] * 50)))) == 1


def test_drop_outs_are_bridged_up_to_the_gap_rule_and_end_a_lift_beyond() -> None:
    rule = LiftRule(gap_ms=10_000)
    nan = float("nan")
    short = [0] * 10 + [40] * 50 + [nan] * 99 + [40] * 50 + [0] * 50
    (lift,) = lifts(find(plain(short), rule))
    assert lift.end_ms - lift.start_ms == (50 + 99 + 49) * STEP_MS
    long = [0] * 10 + [40] * 50 + [nan] * 100 + [40] * 50 + [0] * 50
    first, second = lifts(find(plain(long), rule))
    assert first.end_ms == 59 * STEP_MS
    assert second.start_ms == 160 * STEP_MS
    # a load between the thresholds is not carried over the gap
    held = [0] * 10 + [40] * 50 + [nan] * 100 + [20] * 50 + [0] * 50
    assert len(lifts(find(plain(held), rule))) == 1


def test_transport_is_no_lift_and_emergency_is() -> None:
    samples = plain([0] * 10 + [40] * 50 + [0] * 50)
    for mode, expected in ((Mode.TRANSPORT, 0), (Mode.EMERGENCY, 1), (Mode.STABILISER, 1), (float("nan"), 1)):
        in_mode = samples._replace(mode=np.full(samples.time_ms.size, float(mode)))
        assert len(lifts(find(in_mode))) == expected


def test_slewing_travel_takes_the_shorter_way_and_skips_missing_readings() -> None:
    samples = plain([40] * 50)
    slew = np.concatenate([np.linspace(170, 179, 25), np.linspace(-180, -170, 25)])
    (lift,) = lifts(find(samples._replace(slew_deg=slew)))
    assert lift.slew_travel_deg == pytest.approx(9 + 1 + 10, abs=0.025)
    slew[10] = np.nan
    (lift,) = lifts(find(samples._replace(slew_deg=slew)))
    assert lift.slew_travel_deg == pytest.approx(20 - 2 * 9 / 24, abs=0.025)


def test_a_lift_over_midnight_is_one_and_belongs_to_the_day_it_began() -> None:
    samples = plain([0] * 50 + [40] * 300 + [0] * 50, start_ms=MIDNIGHT_MS - 15_000)
    before = int(np.searchsorted(samples.time_ms, MIDNIGHT_MS))
    days = [find(part) for part in cut(samples, [before])]
    assert [len(lifts(day)) for day in days] == [1, 1]  # seen alone, each day has a piece
    (lift,) = lifts(merge_all(days))
    assert lift.start_ms < MIDNIGHT_MS < lift.end_ms


levels = st.sampled_from([0.0, 14.0, 15.0, 20.0, 25.0, 40.0, float("nan")])


@st.composite
def records(draw: st.DrawFn) -> LiftSignals:
    """Blocks of equal level with plateaus at the thresholds, drop-outs, uneven steps and gaps, all readings."""
    blocks = draw(st.lists(st.tuples(levels, st.integers(1, 9)), min_size=1, max_size=25))
    utilisation = np.concatenate([np.full(n, level) for level, n in blocks])
    n = utilisation.size
    step = np.array(draw(st.lists(st.sampled_from([100, 500, 900, 3000, 4100]), min_size=n, max_size=n)))
    rng = np.random.default_rng(draw(st.integers(0, 2**32 - 1)))
    base = np.where(rng.random(n) < 0.2, np.nan, rng.uniform(0, 30, n))
    slew = np.where(rng.random(n) < 0.1, np.nan, rng.uniform(-720, 720, n))
    return LiftSignals(
        np.cumsum(step),
        utilisation,
        utilisation * rng.uniform(0.3, 1.0, n),
        base if draw(st.booleans()) else None,
        rng.uniform(100, 9000, n),
        np.where(rng.random(n) < 0.5, np.nan, rng.uniform(1, 20, n)),
        slew,
        rng.integers(0, 4, n).astype(float) if draw(st.booleans()) else None,
    )


RULE = LiftRule(hold_ms=1000, release_ms=1000, gap_ms=4000)


@settings(max_examples=300, deadline=None)
@given(samples=records(), data=st.data())
def test_cutting_anywhere_in_any_tree_gives_the_same_part(samples: LiftSignals, data: st.DataObject) -> None:
    whole = find(samples, RULE)
    n = samples.time_ms.size
    parts = [
        find(part, RULE) for part in cut(samples, data.draw(st.lists(st.integers(0, n), max_size=n), "cuts"))
    ]
    while len(parts) > 1:
        at = data.draw(st.integers(0, len(parts) - 2), "merged")
        parts[at : at + 2] = [merge(parts[at], parts[at + 1])]
    assert parts[0] == whole
    assert lifts(parts[0]) == lifts(whole)


@given(samples=records())
def test_every_single_sample_a_part_of_its_own(samples: LiftSignals) -> None:
    parts = [find(part, RULE) for part in cut(samples, list(range(1, samples.time_ms.size)))]
    assert merge_all(parts) == find(samples, RULE)


@given(samples=records())
def test_bytes_bring_the_part_back(samples: LiftSignals) -> None:
    part = find(samples, RULE)
    assert from_bytes(to_bytes(part)) == part


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


@given(samples=records())
def test_a_lift_found_slowly_sample_by_sample_is_the_same(samples: LiftSignals) -> None:
    """An independent, sequential reading of the four rules."""
    slow = _sequential(samples, RULE)
    assert [(lift.start_ms, lift.end_ms) for lift in lifts(find(samples, RULE))] == slow


def _sequential(samples: LiftSignals, rule: LiftRule) -> list[tuple[int, int]]:
    runs: list[list[int]] = []
    on, last = False, None
    for i, time in enumerate(samples.time_ms.tolist()):
        u = samples.utilisation_pct[i]
        if np.isnan(u):
            continue
        if last is not None and time - last > rule.gap_ms:
            on = False
        fresh = not on
        base = np.nan if samples.base_pct is None else samples.base_pct[i]
        value, high, low = (
            (u, rule.plain_on_pct, rule.plain_off_pct)
            if np.isnan(base)
            else (u - base, rule.load_on_pct, rule.load_off_pct)
        )
        transport = samples.mode is not None and samples.mode[i] == 0
        on = not transport and (value >= high or (on and value >= low))
        if on and fresh:
            runs.append([time, time])
        elif on:
            runs[-1][1] = time
        last = time
    joined: list[list[int]] = []
    for start, end in runs:
        if joined and start - joined[-1][1] < rule.release_ms:
            joined[-1][1] = end
        else:
            joined.append([start, end])
    return [(start, end) for start, end in joined if end - start >= rule.hold_ms]


def test_parts_out_of_order_or_of_other_rules_are_refused() -> None:
    early, late = find(plain([40] * 5)), find(plain([40] * 5, start_ms=10_000))
    with pytest.raises(InvalidInput, match="time order"):
        merge(late, early)
    with pytest.raises(InvalidInput, match="different rules"):
        merge(early, find(plain([40] * 5, start_ms=10_000), RULE))
    with pytest.raises(InvalidInput, match="rise in time"):
        find(plain([40, 40])._replace(time_ms=np.array([5, 5])))
    with pytest.raises(InvalidInput, match="length 2"):
        find(plain([40, 40])._replace(slew_deg=np.zeros(3)))
    with pytest.raises(InvalidInput, match="utilisation_pct"):
        signals(None, [0], {"limit_pct": np.array([100.0])})


@pytest.mark.parametrize(
    "bad",
    [{"load_off_pct": 7.0}, {"plain_off_pct": 0.0}, {"release_ms": 0}, {"gap_ms": 2_999}, {"hold_ms": -1}],
)
def test_a_rule_that_contradicts_itself_is_refused(bad: dict[str, float]) -> None:
    with pytest.raises(InvalidInput):
        LiftRule(**bad)  # type: ignore[arg-type]


def test_events_are_counted_inside_a_lift_ends_included() -> None:
    found = lifts(find(plain([0] * 10 + [40] * 50 + [0] * 100 + [40] * 50)))
    starts = [lift.start_ms for lift in found]
    events = [starts[1], starts[0] - 1, starts[0], found[0].end_ms, found[0].end_ms + 1]
    assert inside(found, events).tolist() == [2, 1]
    assert inside([], events).tolist() == []
    assert inside(found, []).tolist() == [0, 0]


def test_a_part_equals_only_a_part() -> None:
    assert LiftPart() != "no part"
