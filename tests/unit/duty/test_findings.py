"""What is told of the readings of a crane, and that clean work tells nothing."""

from collections import defaultdict
from collections.abc import Callable, Sequence
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta

import numpy as np
import pytest

from domain.channels import CHANNEL_BY_NAME
from domain.crane import CraneType
from domain.errors import InvalidInput
from domain.findings import DEFAULT_THRESHOLDS, FindingCode, Thresholds
from duty import ledger
from duty.day_findings import DayFacts, DayFinding, RefusedReadings
from duty.edges import DEFAULT_EDGES
from duty.findings import DAYS_AFTER, DAYS_BEFORE, judge
from duty.minutes import POSE_LEAST, Readings
from duty.plausibility import Plausibility, count
from duty.statics import structural_pct
from simulator.generate import generate
from simulator.machine import load_machine
from simulator.yard import REFERENCE_DAY, Yard, field_cases, load_yard
from tests.support.readings import FOLDED, TYPE, by_statics, changed, folded, work

MONDAY = date(2026, 3, 2)
STEP_MS = 5000


def always(crane_type: CraneType) -> Callable[[date], CraneType]:
    """The crane was never another."""
    return lambda _: crane_type


def facts(day: date, statistics: Plausibility, **more: object) -> DayFacts:
    begin = round(datetime(day.year, day.month, day.day, 6, tzinfo=UTC).timestamp() * 1000)
    return DayFacts(day=day, first_ms=begin, past_ms=begin + 8 * 3_600_000, statistics=statistics, **more)


def statistics(readings: Readings, wrong_ms: Sequence[int] = (0, 0, 0, 0)) -> Plausibility:
    sent = readings.channels
    structural = structural_pct(sent["utilisation_pct"], sent.get("limit_pct"))
    cycles = ledger.count(structural[np.isfinite(structural)], DEFAULT_EDGES)
    return count(TYPE, readings, cycles, wrong_ms)


def codes(
    readings: Readings, thresholds: Thresholds = DEFAULT_THRESHOLDS, **more: object
) -> set[tuple[str, str]]:
    """(code, channel) told of one day with these readings."""
    return {
        (each.code.value, each.channel)
        for each in judge(always(TYPE), [facts(MONDAY, statistics(readings), **more)], thresholds)
    }


def day(**channels: np.ndarray) -> Readings:
    """Two hours of clean work, one sample a second, with some channels other than they were."""
    return changed(work(120), **channels)


CLEAN = day()
N = CLEAN.at_ms.size
HALF = np.arange(N) < N // 2


def test_clean_work_tells_nothing() -> None:
    assert codes(CLEAN) == set()


def test_readings_out_of_range_are_told_of_their_channel_from_ten_a_day() -> None:
    some, few = (
        RefusedReadings(name, n, 60_000, 90_000) for name, n in (("extension_m", 10), ("slew_deg", 9))
    )
    assert codes(CLEAN, refused=(some, few)) == {("readings_refused", "extension_m")}
    assert codes(CLEAN, Thresholds(refused_readings=9.0), refused=(few,)) == {
        ("readings_refused", "slew_deg")
    }


@pytest.mark.parametrize("name", ["utilisation_pct", "main_boom_deg", "knuckle_boom_deg", "extension_m"])
def test_a_reading_that_stands_still_while_others_move_is_stuck(name: str) -> None:
    value = float(CLEAN.channels[name][100])
    stuck = day(**{name: np.where(HALF, CLEAN.channels[name], value)})
    (found,) = (
        each
        for each in judge(always(TYPE), [facts(MONDAY, statistics(stuck))], Thresholds())
        if each.code is FindingCode.SENSOR_STUCK
    )
    assert found.channel == name
    assert found.size == pytest.approx(60, abs=1)
    assert (found.from_ms, found.to_ms) == pytest.approx((3_600_000, 7_200_000), abs=60_000)
    shorter = day(**{name: np.where(np.arange(N) < N - 600, CLEAN.channels[name], value)})
    assert codes(shorter) == set()
    assert ("sensor_stuck", name) in codes(shorter, Thresholds(stuck_min=8))


def test_utilisation_stuck_at_100_is_told_though_nothing_else_is_sent() -> None:
    alone = CLEAN._replace(channels={"utilisation_pct": np.full(N, 100, np.float32)})
    assert ("sensor_stuck", "utilisation_pct") in codes(alone)
    low = CLEAN._replace(channels={"utilisation_pct": np.full(N, 3, np.float32)})
    assert ("sensor_stuck", "utilisation_pct") not in codes(
        low
    )  # an idle crane whose display has whole percents


def test_an_extension_that_is_run_in_is_not_stuck() -> None:
    main, knuckle = (CLEAN.channels[name].astype(float) for name in ("main_boom_deg", "knuckle_boom_deg"))
    noise = np.random.default_rng(1).normal(0, 0.1, N)
    utilisation = by_statics(main, knuckle, np.zeros(N)) + noise
    assert codes(day(extension_m=np.zeros(N), utilisation_pct=utilisation)) == set()


@pytest.mark.parametrize("flat", [False, True])
def test_a_crane_that_only_slews_has_no_stuck_boom_and_no_radians(flat: bool) -> None:
    """Whole degrees and decimetres that stand still, or a boom that lies flat to some degrees: nothing is wrong."""
    rng = np.random.default_rng(3)
    main = 1.5 + 1.2 * np.sin(np.arange(N) / 50) if flat else np.full(N, 40.0)
    knuckle = rng.normal(0, 0.1, N) if flat else np.full(N, -40.0)
    loaded = np.where(np.arange(N) % 300 < 150, 25.0, 0.0)
    noise = rng.normal(0, 0.1, N)
    utilisation = by_statics(main, knuckle, np.full(N, 3.0)) + loaded + noise
    pose = {"main_boom_deg": main, "knuckle_boom_deg": knuckle, "extension_m": np.full(N, 3.0)}
    assert codes(day(**pose, outreach_m=None, utilisation_pct=utilisation)) == set()
    slew = {"slew_deg": np.radians(CLEAN.channels["slew_deg"])}
    told = codes(day(**pose, **slew, utilisation_pct=utilisation))
    assert (("radians_for_degrees", "main_boom_deg") in told) == flat


@pytest.mark.parametrize(
    ("channel", "factor", "code"),
    [
        ("utilisation_pct", 0.01, "fraction_for_percent"),
        ("main_boom_deg", np.pi / 180, "radians_for_degrees"),
        ("knuckle_boom_deg", np.pi / 180, "radians_for_degrees"),
        ("extension_m", 100.0, "length_unit"),
        ("extension_m", 3.281, "length_unit"),
        ("extension_m", 1.3, "extension_out_of_stroke"),
    ],
)
def test_a_wrong_unit_is_told(channel: str, factor: float, code: str) -> None:
    assert (code, channel) in codes(day(**{channel: CLEAN.channels[channel] * factor}))


def test_all_angles_in_radians_name_the_slewing_angle_too() -> None:
    angles = ("main_boom_deg", "knuckle_boom_deg", "slew_deg")
    radians = day(**{name: np.radians(CLEAN.channels[name]) for name in angles})
    assert {channel for code, channel in codes(radians) if code == "radians_for_degrees"} == set(angles)


def test_an_angle_where_no_boom_of_the_type_goes_is_told() -> None:
    over = day(main_boom_deg=CLEAN.channels["main_boom_deg"] + 60)
    assert ("angle_out_of_geometry", "main_boom_deg") in codes(over)
    spike = CLEAN.channels["main_boom_deg"].copy()
    spike[[100, 3000]] = 118.0
    assert codes(day(main_boom_deg=spike)) == set()  # two single readings are no range of work


@pytest.mark.parametrize(
    ("limit", "expected"),
    [
        (np.where(HALF, 100.0, 0.0), {("limit_zero", "limit_pct")}),
        (np.full(N, np.nan), {("limit_missing", "limit_pct")}),
        (np.where(np.arange(N) < 1000, np.nan, 100.0), set()),
        (
            np.where(HALF, 1.0, 0.72),
            {("fraction_for_percent", "limit_pct"), ("zero_offset", "utilisation_pct")},
        ),
    ],
)
def test_a_limit_of_0_or_none_or_as_a_fraction_is_told(
    limit: np.ndarray, expected: set[tuple[str, str]]
) -> None:
    assert codes(day(limit_pct=limit)) == expected


@pytest.mark.parametrize("factor", [0.5, -1.0])
def test_a_utilisation_with_a_wrong_scale_or_sign_is_told(factor: float) -> None:
    rng = np.random.default_rng(8)
    loads = np.where(np.arange(N) % 300 < 120, rng.uniform(5, 60), 0.0)
    true = CLEAN.channels["utilisation_pct"] + loads
    sent = np.where(factor * true < -20, np.nan, factor * true)
    assert ("scale_wrong", "utilisation_pct") in codes(day(utilisation_pct=sent), lifts=24)
    for right in (true, true - 5.0, 0.88 * CLEAN.channels["utilisation_pct"] + loads):
        assert ("scale_wrong", "utilisation_pct") not in codes(day(utilisation_pct=right), lifts=24)
    poseless = day(utilisation_pct=sent, extension_m=None)
    assert (("scale_wrong", "utilisation_pct") in codes(poseless)) == (factor < 0)


def test_an_empty_crane_whose_load_hangs_close_in_only_has_no_wrong_scale() -> None:
    """Near the column a load hangs all day, far out none: what is read falls outwards, but not below the booms."""
    near = by_statics(*(CLEAN.channels[name].astype(float) for name in POSE_LEAST)) < 10
    loaded = CLEAN.channels["utilisation_pct"] + np.where(near, 40.0, 0.0)
    assert ("scale_wrong", "utilisation_pct") not in codes(day(utilisation_pct=loaded))


def test_a_mode_that_says_transport_while_the_crane_works_is_told() -> None:
    told = {("mode_stuck", "mode")}
    assert codes(day(mode=np.zeros(N))) == told
    assert codes(day(mode=np.where(np.arange(N) < 8 * 60, 0.0, 2.0))) == set()
    assert codes(day(mode=np.where(np.arange(N) < 12 * 60, 0.0, 2.0))) == told
    shaken = np.random.default_rng(2).normal(4, 3, N)
    still = {name: np.full(N, value) for name, value in FOLDED.items()}
    road = day(mode=np.zeros(N), slew_deg=np.zeros(N), utilisation_pct=shaken, **still)
    assert codes(road, lifts=600) == set()
    lifted = np.where(np.arange(N) % 100 < 50, 5.0, 60.0)
    blind = CLEAN._replace(channels={"utilisation_pct": lifted, "mode": np.zeros(N, np.float32)})
    assert ("mode_stuck", "mode") in codes(blind)


def test_booms_that_all_stand_still_while_loads_come_and_go_are_told() -> None:
    loaded = np.where(np.arange(N) % 160 < 80, 30.0, 5.0) + np.random.default_rng(3).normal(0, 0.1, N)
    still = {"main_boom_deg": np.full(N, 40.0), "knuckle_boom_deg": np.full(N, -20.0)}
    frozen = day(utilisation_pct=loaded, extension_m=np.full(N, 2.0), **still)
    assert codes(frozen, lifts=45) >= {
        ("sensor_stuck", "main_boom_deg"),
        ("sensor_stuck", "knuckle_boom_deg"),
    }
    last_digit = np.where(np.arange(N) % 600 < 300, 2.0, 2.01)
    told = codes(day(utilisation_pct=loaded, extension_m=last_digit, **still), lifts=45)
    assert {channel for code, channel in told if code == "sensor_stuck"} == set()


def test_a_limit_that_stays_far_too_low_is_told() -> None:
    for limit, told in ((5.0, True), (29.0, True), (35.0, False)):
        found = codes(day(limit_pct=np.full(N, limit)))
        assert (("limit_low", "limit_pct") in found) == told
        assert (("scale_wrong", "utilisation_pct") in found) == (not told)
    by_sector = np.where(np.arange(N) % 600 < 300, 12.0, 25.0)
    assert ("limit_low", "limit_pct") not in codes(day(limit_pct=by_sector))


NEW_CODES = {"scale_wrong", "mode_stuck", "limit_low"}


def test_of_the_cases_of_the_field_only_those_that_are_so_tell_of_scale_mode_limit_and_frozen_booms() -> None:
    cranes = [crane for crane in field_cases().cranes if not crane.faults.clock_jump_s]
    told = defaultdict(set)
    for record in generate(cranes, REFERENCE_DAY, 2, dt_ms=1000):
        sent = {name: values.copy() for name, values in record.channels.items()}
        for name, values in sent.items():  # as ingest does
            values[(values < CHANNEL_BY_NAME[name].low) | (values > CHANNEL_BY_NAME[name].high)] = np.nan
        step = np.full(record.t_ms.size, 1000, np.int64)
        crane_type = next(crane for crane in cranes if crane.name == record.crane).crane.type
        counted = count(crane_type, Readings(record.t_ms, step, sent), ledger.empty(DEFAULT_EDGES))
        found = judge(always(crane_type), [facts(record.day, counted)], Thresholds())
        told[record.crane] |= {(each.code.value, each.channel) for each in found}
    for crane in cranes:
        expected = set(crane.expected.findings) if crane.expected else set()
        of_kind = {code for code, _ in told[crane.name]} & NEW_CODES
        assert of_kind == expected & NEW_CODES, crane.name
        frozen = ("sensor_stuck", "knuckle_boom_deg") in told[crane.name]
        assert frozen == (crane.name == "field-frozen"), crane.name


def test_readings_far_above_the_rating_are_told() -> None:
    loaded = np.arange(N) % 600 < 20
    for level, told in ((160.0, {("overload", "utilisation_pct")}), (140.0, set())):
        peaks = np.where(
            loaded, level + CLEAN.channels["utilisation_pct"] / 10, CLEAN.channels["utilisation_pct"]
        )
        assert codes(day(utilisation_pct=peaks)) == told
    once = CLEAN.channels["utilisation_pct"].copy()
    once[1000:1004] = 155.0
    assert codes(day(utilisation_pct=once)) == {("overload", "utilisation_pct")}


def test_readings_that_are_missing_where_the_load_is_high_are_told() -> None:
    rng = np.random.default_rng(6)
    load = np.interp(np.arange(N) % 200, [0, 3, 50, 53, 200], [0, 60, 60, 0, 0])
    true = CLEAN.channels["utilisation_pct"] + load * np.repeat(rng.uniform(0.3, 1, N // 200 + 1), 200)[:N]
    assert codes(day(utilisation_pct=np.where(true > 50, np.nan, true)), lifts=36) == {
        ("gaps_under_load", "utilisation_pct")
    }
    anywhere = np.where(rng.random(N) < 0.05, np.nan, true)
    assert codes(day(utilisation_pct=anywhere), lifts=36) == set()
    few = np.where((true > 50) & (np.arange(N) < 1600), np.nan, true)
    assert codes(day(utilisation_pct=few), lifts=36) == set()


def test_a_reading_that_goes_no_higher_is_told_at_any_height() -> None:
    """Lifts of 30 to 60 % above the booms, read up to 40 % only, in tenths and in whole percents."""
    rng = np.random.default_rng(5)
    loads = np.repeat(rng.uniform(30, 60, N // 200 + 1), 200)[:N] * (np.arange(N) % 200 < 60)
    true = np.round(CLEAN.channels["utilisation_pct"] + loads, 1)
    cut = day(utilisation_pct=np.minimum(true, 40.0))
    assert codes(cut, lifts=36) == {("sensor_saturated", "utilisation_pct")}
    assert codes(cut, Thresholds(saturated_min=100), lifts=36) == set()
    assert codes(day(utilisation_pct=true), lifts=36) == set()
    assert codes(day(utilisation_pct=np.minimum(np.round(true), 40.0)), lifts=36) == {
        ("sensor_saturated", "utilisation_pct")
    }
    assert codes(day(utilisation_pct=np.round(true)), lifts=36) == set()


def loaded(peaks: np.ndarray, *, ramp_s: int = 2) -> np.ndarray:
    """Utilisation of a lift every 200 s, held for a minute: the empty booms and peaks [%] that come and go within ramp_s."""
    times = [0, ramp_s, 60, 60 + ramp_s, 200]
    shape = np.interp(np.arange(N) % 200, times, [0.0, 1.0, 1.0, 0.0, 0.0])
    return CLEAN.channels["utilisation_pct"] + shape * np.repeat(peaks, 200)[:N]


PEAKS = np.random.default_rng(8).uniform(30, 60, N // 200 + 1)


def test_like_loads_in_whole_percents_are_no_reading_that_goes_no_higher() -> None:
    pallets = 45 + np.random.default_rng(9).normal(0, 1, PEAKS.size)
    assert codes(day(utilisation_pct=np.round(loaded(pallets))), lifts=36) == set()


@pytest.mark.parametrize(("every_s", "told"), [(2, False), (3, False), (5, True), (10, True), (30, True)])
def test_a_reading_that_is_sent_again_and_again_is_told(every_s: int, told: bool) -> None:
    """A box that sends each second what its sensor renews only every so often; in whole percents too."""
    true = loaded(PEAKS)
    for sent in (true, np.round(true)):
        again = np.repeat(sent[::every_s], every_s)[:N]
        assert codes(day(utilisation_pct=again), lifts=36) == (
            {("readings_repeated", "utilisation_pct")} if told else set()
        )


@pytest.mark.parametrize(("mean_s", "told"), [(1, False), (2, False), (6, True), (10, True), (30, True)])
def test_readings_that_are_averaged_are_told(mean_s: int, told: bool) -> None:
    true = np.concatenate([np.full(mean_s - 1, CLEAN.channels["utilisation_pct"][0]), loaded(PEAKS)])
    smooth = np.convolve(true, np.full(mean_s, 1.0 / mean_s), "valid")
    assert codes(day(utilisation_pct=smooth), lifts=36) == (
        {("readings_smoothed", "utilisation_pct")} if told else set()
    )


def test_a_utilisation_that_does_not_follow_its_limit_is_told() -> None:
    """A limit of 60 % for one minute in four: utilisation of the same limit, of the full rating, and of the limit 8 s ago."""
    true, limit = loaded(PEAKS) + 15.0, np.where((np.arange(N) + 20) // 60 % 4 == 1, 60.0, 100.0)
    of_limit = day(utilisation_pct=100 * true / limit, limit_pct=limit)
    assert codes(of_limit, lifts=36) - {("zero_offset", "utilisation_pct")} == set()
    for utilisation in (true, 100 * true / np.roll(limit, -8)):
        told = codes(day(utilisation_pct=utilisation, limit_pct=limit), lifts=36)
        assert told - {("zero_offset", "utilisation_pct")} == {("limit_misfit", "limit_pct")}


def test_percents_that_become_fractions_at_noon_are_told() -> None:
    true = loaded(PEAKS)
    assert codes(day(utilisation_pct=np.where(HALF, true, true / 100)), lifts=18) >= {
        ("fraction_for_percent", "utilisation_pct")
    }
    limit = np.where(HALF, CLEAN.channels["limit_pct"], 1.0)
    assert codes(day(utilisation_pct=true, limit_pct=limit), lifts=18) >= {
        ("fraction_for_percent", "limit_pct")
    }


def test_a_reading_that_stands_still_many_times_for_a_minute_or_two_is_stuck() -> None:
    """Over each drop-out of two minutes the last reading is sent again, every eight minutes."""
    true = loaded(PEAKS)
    place = np.arange(N)
    held = true[np.where(place % 480 < 125, place - place % 480, place)]
    assert codes(day(utilisation_pct=held), lifts=36) == {("sensor_stuck", "utilisation_pct")}


def test_a_scale_is_seen_though_the_booms_rest_on_their_support_between_lifts() -> None:
    """Folded, the support carries them: the reading there is that of no boom at all."""
    readings = folded(120)
    rest = np.arange(N) < N // 3
    for factor, told in ((1.0, False), (0.7, True)):
        sent = np.where(rest, 0.0, factor * readings.channels["utilisation_pct"])
        found = codes(changed(readings, utilisation_pct=sent))
        assert (("scale_wrong", "utilisation_pct") in found) is told, factor


def test_whole_percents_that_end_at_the_same_height_near_the_limit_are_told() -> None:
    """A display that ends at 100 %: one lift in two goes beyond. Whole percents that do not end anywhere tell nothing."""
    rng = np.random.default_rng(7)
    loads = np.repeat(rng.uniform(60, 115, N // 200 + 1), 200)[:N] * (np.arange(N) % 200 < 60)
    true = np.round(CLEAN.channels["utilisation_pct"] + loads)
    assert codes(day(utilisation_pct=np.minimum(true, 100.0)), lifts=36) == {
        ("sensor_saturated", "utilisation_pct")
    }
    assert codes(day(utilisation_pct=true), lifts=36) == set()
    seldom = np.where(np.arange(N) < 1000, true, np.minimum(true, 80.0))
    assert codes(day(utilisation_pct=np.minimum(seldom, 100.0)), lifts=36) == set()


def test_outreach_that_does_not_fit_the_boom_position_is_told() -> None:
    assert codes(day(outreach_m=np.full(N, 14.0))) == {("outreach_misfit", "outreach_m")} | {
        ("sensor_stuck", "outreach_m")
    }


def test_time_without_a_boom_position_is_told() -> None:
    assert codes(day(knuckle_boom_deg=np.where(HALF, np.nan, CLEAN.channels["knuckle_boom_deg"]))) == {
        ("pose_missing", "")
    }


def test_a_jib_that_is_not_sent_all_day_is_told_where_it_is_sent_on_other_days() -> None:
    jib_type = TYPE.model_copy(update={"jib": load_machine("long-40-jib").crane_type.jib})
    with_jib = day(jib_deg=CLEAN.channels["knuckle_boom_deg"])
    days = [MONDAY + timedelta(days=i) for i in range(3)]
    sent = [facts(days[0], statistics(with_jib)), facts(days[1], statistics(CLEAN))]
    found = judge(always(jib_type), sent, DEFAULT_THRESHOLDS)
    assert [(each.day, each.code.value, each.channel) for each in found] == [
        (days[1], "pose_missing", "jib_deg")
    ]
    assert judge(always(TYPE), sent, DEFAULT_THRESHOLDS) == []
    assert judge(always(jib_type), sent[1:], DEFAULT_THRESHOLDS) == []  # it never is: the type may be wrong
    other = jib_type.model_copy(update={"title": "after a change"})
    assert judge(lambda on: jib_type if on == days[0] else other, sent, DEFAULT_THRESHOLDS) == []


def test_samples_too_seldom_to_see_a_lift_are_told() -> None:
    seldom = work(240, step_ms=10_000)
    assert codes(seldom) == {("samples_too_seldom", "")}
    assert codes(work(240, step_ms=3000)) == set()


@pytest.mark.parametrize(
    ("more", "code"),
    [
        ({"spikes": 3, "largest_spike_pct": 200.0}, ("spikes", "utilisation_pct")),
        ({"sensor_gap_ms": 20 * 60_000}, ("sensor_gap", "utilisation_pct")),
    ],
)
def test_counts_of_the_day_are_told(more: dict[str, object], code: tuple[str, str]) -> None:
    assert codes(CLEAN, **more) == {code}
    smaller = {name: value / 4 for name, value in more.items()}
    assert codes(CLEAN, **smaller) == set()


@pytest.mark.parametrize(
    ("place", "code"),
    list(enumerate(("boots_overlap", "clock_set_back", "clock_behind", "clock_ahead"))),
)
def test_wrong_times_of_messages_are_told(place: int, code: str) -> None:
    wrong = np.zeros(4, int)
    wrong[place] = 1_800_000
    (found,) = judge(always(TYPE), [facts(MONDAY, statistics(CLEAN, wrong.tolist()))], Thresholds())
    assert (found.code.value, found.size) == (code, 0.5)


def test_a_boot_that_goes_on_on_an_earlier_day_had_its_clock_set_back() -> None:
    earlier = facts(MONDAY, statistics(CLEAN), first=(7, 200), last=(7, 300))
    later = facts(MONDAY + timedelta(days=3), statistics(CLEAN), first=(7, 10), last=(7, 199))
    (found,) = judge(always(TYPE), [earlier, later], Thresholds())
    assert (found.code, found.day) == (FindingCode.CLOCK_SET_BACK, later.day)
    assert judge(always(TYPE), [earlier, replace(later, first=(8, 0), last=(8, 9))], Thresholds()) == []


def test_a_boot_that_goes_on_after_a_night_left_time_out() -> None:
    earlier = facts(MONDAY, statistics(CLEAN), first=(7, 200), last=(7, 300))
    later = facts(MONDAY + timedelta(days=1), statistics(CLEAN), first=(7, 301), last=(7, 400))
    (found,) = judge(always(TYPE), [earlier, later], Thresholds())
    assert (found.code, found.day) == (FindingCode.TIME_HOLE, later.day)
    assert (found.from_ms, found.to_ms) == (earlier.past_ms, later.first_ms)
    assert found.size == (later.first_ms - earlier.past_ms) / 3_600_000
    assert (
        judge(always(TYPE), [earlier, replace(later, first=(7, 302))], Thresholds()) == []
    )  # a number is missing
    straight_on = replace(later, first_ms=earlier.past_ms + 2000)
    assert judge(always(TYPE), [earlier, straight_on], Thresholds()) == []


def test_time_left_out_and_numbers_given_again_are_told_from_a_hundredth_on() -> None:
    day = facts(MONDAY, statistics(CLEAN))
    recorded = day.statistics.sum("recorded_ms")

    def codes(**values: int) -> list[str]:
        return [each.code.value for each in judge(always(TYPE), [replace(day, **values)], Thresholds())]

    assert codes(hole_ms=recorded // 90) == ["time_hole"]
    assert codes(hole_ms=recorded // 110) == codes(hole_ms=0) == []
    assert codes(uncounted_ms=recorded // 90) == ["seq_repeated"]
    assert codes(uncounted_ms=recorded // 110) == []


def test_a_clock_behind_is_noticed_on_the_day_on_which_it_came() -> None:
    came_on = MONDAY + timedelta(days=400)
    wrong = statistics(CLEAN, [0, 0, 1_800_000, 0])
    (found,) = judge(always(TYPE), [facts(MONDAY, wrong, came_on=came_on)], Thresholds())
    assert (found.day, found.noticed_on) == (MONDAY, came_on)
    others = judge(
        always(TYPE), [facts(MONDAY, statistics(CLEAN, [1, 0, 0, 0]), came_on=came_on)], Thresholds()
    )
    assert [each.noticed_on for each in others] == [None]


def zeros(levels: Sequence[float]) -> list[DayFinding]:
    """Findings of recorded days, two a week, with these zeros."""
    days = [MONDAY + timedelta(days=7 * (i // 2) + 2 * (i % 2)) for i in range(len(levels))]
    found = [
        facts(day, statistics(folded(45, i, STEP_MS, level)))
        for i, (day, level) in enumerate(zip(days, levels, strict=True))
    ]
    return [
        each
        for each in judge(always(TYPE), found, Thresholds())
        if each.code is not FindingCode.SAMPLES_TOO_SELDOM
    ]


def test_a_zero_that_drifts_is_told_from_the_week_on_in_which_it_is_too_far() -> None:
    found = zeros(np.linspace(-1, 1.6, 40).tolist())
    assert {each.code for each in found} == {FindingCode.ZERO_DRIFT}
    assert min(each.size for each in found) >= 1.5
    assert found[0].day >= MONDAY + timedelta(weeks=10)
    assert {each.code for each in zeros(np.linspace(1, -1.6, 40).tolist())} == {FindingCode.ZERO_DRIFT}
    assert zeros([0.0, 0.3] * 20) == []


def test_a_zero_that_is_off_from_the_beginning_is_told() -> None:
    for level in (3.0, 4.0, -3.0):
        assert {each.code for each in zeros([level] * 4)} == {FindingCode.ZERO_OFFSET}
    assert zeros([2.0] * 4) == zeros([-2.0] * 4) == []


def test_a_jump_is_told_once_on_its_day_and_is_no_drift() -> None:
    found = zeros([-1.2] * 12 + [1.6] * 12)
    (jump,) = found
    assert (jump.code, jump.day) == (FindingCode.CALIBRATION_JUMP, MONDAY + timedelta(weeks=6))
    assert jump.size == pytest.approx(2.8, abs=0.3)
    assert zeros([-1.2] * 12 + [1.6] + [-1.2] * 12) == []  # one odd day


def test_a_crane_that_is_described_anew_begins_anew() -> None:
    heavier = TYPE.model_copy(update={"title": "after a change"})
    days = [MONDAY + timedelta(days=7 * (i // 2) + 2 * (i % 2)) for i in range(24)]
    found = [
        facts(day, statistics(folded(45, i, STEP_MS, -1.2 if i < 12 else 1.6))) for i, day in enumerate(days)
    ]
    told = judge(lambda day: TYPE if day < days[12] else heavier, found, DEFAULT_THRESHOLDS)
    assert [each for each in told if each.code is not FindingCode.SAMPLES_TOO_SELDOM] == []
    assert {each.code for each in judge(always(TYPE), found, DEFAULT_THRESHOLDS)} >= {
        FindingCode.CALIBRATION_JUMP
    }


def test_lifts_far_from_the_cycles_of_their_week_are_told() -> None:
    lifted = np.tile([5.0, 60.0], 50)
    counted = count(TYPE, CLEAN, ledger.count(lifted, DEFAULT_EDGES))
    for lifts, told in ((50, False), (25, False), (4, True), (0, True), (2000, True)):
        found = judge(always(TYPE), [facts(MONDAY, counted, lifts=lifts)], Thresholds())
        assert [each.code for each in found] == [FindingCode.LIFTS_APART] * told, lifts
    few = count(TYPE, CLEAN, ledger.count(lifted[:20], DEFAULT_EDGES))
    assert judge(always(TYPE), [facts(MONDAY, few)], Thresholds()) == []


def test_a_threshold_that_tells_everything_is_refused() -> None:
    with pytest.raises(InvalidInput, match="stuck_min"):
        Thresholds(stuck_min=0)


def days_of(yard: Yard, names: Sequence[str], days: int, dt_ms: int) -> dict[str, list[DayFacts]]:
    """Simulated days up to the yard's own day."""
    cranes = [yard.crane(name) for name in names]
    found: dict[str, list[DayFacts]] = defaultdict(list)
    first = cranes[0].reference_day - timedelta(days=days)
    for record in generate(cranes, first, days, dt_ms=dt_ms):
        crane_type = yard.crane(record.crane).crane.type
        sent = record.channels
        structural = structural_pct(sent["utilisation_pct"], sent["limit_pct"])
        cycles = ledger.count(structural[np.isfinite(structural)], DEFAULT_EDGES)
        step = np.full(record.t_ms.size, dt_ms, np.int64)
        counted = count(crane_type, Readings(np.asarray(record.t_ms), step, sent), cycles)
        found[record.crane].append(facts(record.day, counted, lifts=len(record.truth.lifts)))
    return {name: sorted(each, key=lambda one: one.day) for name, each in found.items()}


def test_the_yard_at_work_tells_nothing() -> None:
    """Five weeks of every crane but the one with a drifting sensor: drop-outs, a slow clock and brief sticking included."""
    yard = load_yard(date(2026, 6, 1))
    names = [crane.name for crane in yard.cranes if not crane.faults.drift_days]
    assert len(names) == 11
    for name, days in days_of(yard, names, 35, 1000).items():
        assert judge(always(yard.crane(name).crane.type), days, Thresholds()) == [], name


def test_the_drifting_sensor_of_the_yard_is_told_and_the_parts_of_a_history_tell_the_same() -> None:
    yard = load_yard(date(2026, 6, 1))
    (name,) = (crane.name for crane in yard.cranes if crane.faults.drift_days)
    days = days_of(yard, [name], 180, 1000)[name]
    crane_type = yard.crane(name).crane.type
    whole = judge(always(crane_type), days, Thresholds())
    assert {each.code for each in whole} == {FindingCode.ZERO_DRIFT, FindingCode.ZERO_OFFSET}
    for first in (days[30].day, days[80].day, days[-1].day):
        last = first + timedelta(days=20)
        begin = first - timedelta(days=DAYS_BEFORE + DAYS_AFTER)
        begin -= timedelta(days=begin.weekday())
        near = [each for each in days if begin <= each.day <= last + timedelta(days=DAYS_AFTER)]
        assert judge(always(crane_type), near, Thresholds(), day_from=first, day_to=last) == [
            each for each in whole if first <= each.day <= last
        ]
