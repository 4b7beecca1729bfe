"""What records of a life do to the figures: worked by hand."""

from dataclasses import dataclass, replace
from datetime import date, timedelta
from typing import Any

import pytest

from domain.crane import DesignClass, Edition
from domain.life_record import Calibration, Defect, Effect, LifeRecordAsked, RecordKind
from duty.assessment import By, by_entries, calls, special_assessment
from duty.life import UsedShare
from duty.life_records import Noted, effects, noted_in
from duty.life_status import Totals, life_status
from duty.uncertainty import PRESSURE_BIAS_PCT, BiasPart, Source, bias_parts, of_damage, of_used_share, raised
from tests.unit.duty.invented import crane as invented_crane
from words.remarks import text

MONDAY = date(2026, 3, 2)
DAY = timedelta(days=1)


@dataclass(frozen=True)
class Row:
    record_id: int
    kind: str
    happened_on: date
    note: str = ""
    detail: str | None = None
    length_mm: float | None = None
    channel: str | None = None
    found_error_pct: float | None = None
    left_error_pct: float | None = None
    service_interval: str | None = None
    closed_on: date | None = None
    withdrawn: bool = False


def crack(found: date, closed: date | None = None) -> Defect:
    return Defect(RecordKind.CRACK, found, closed, "column foot", 12.0)


def test_a_crack_makes_the_assessment_due_until_it_is_closed_and_assessed() -> None:
    crane = invented_crane()
    due = special_assessment(crane, defects=[crack(MONDAY)])
    assert due[:2] == (MONDAY, By.CONDITION)
    assert text(due.reason) == "open crack of 12 mm at column foot since 2 Mar 2026"
    closed = special_assessment(crane, defects=[crack(MONDAY, MONDAY + DAY)])
    assert closed[:2] == (MONDAY, By.CONDITION)
    assert text(closed.reason).endswith("closed on 3 Mar 2026, no special assessment since")
    assessed = crane.model_copy(update={"assessed_on": MONDAY})
    assert special_assessment(assessed, defects=[crack(MONDAY)]).by is By.CONDITION
    assert special_assessment(assessed, defects=[crack(MONDAY, MONDAY + DAY)]).by is By.AGE
    earlier = crane.model_copy(update={"assessed_on": MONDAY - DAY})
    assert special_assessment(earlier, defects=[crack(MONDAY, MONDAY + DAY)]).by is By.CONDITION


def test_a_finding_calls_only_while_it_is_open() -> None:
    play = Defect(RecordKind.FINDING, MONDAY, None, note="play in the slewing gear")
    assert calls(play, None)
    assert not calls(play._replace(closed_on=MONDAY), None)
    assert "(play in the slewing gear)" in text(special_assessment(invented_crane(), defects=[play]).reason)


def test_the_stored_form_is_judged_the_same() -> None:
    stored = {
        "commissioned_on": "2020-05-01",
        "defects": [{"kind": "crack", "found_on": "2026-03-02", "detail": "column foot", "length_mm": 12.0}],
    }
    assert text(by_entries(stored).reason) == "open crack of 12 mm at column foot since 2 Mar 2026"
    assert by_entries({**stored, "defects": None}).by is By.AGE


def test_a_calibration_sets_the_bias_before_and_after_it() -> None:
    weeks = {MONDAY + timedelta(weeks=week): 1.0 for week in range(4)}
    crane = invented_crane()
    assert bias_parts(crane, (), weeks) == (BiasPart(1.0, PRESSURE_BIAS_PCT, True),)
    one = Calibration(MONDAY + timedelta(weeks=1), 8.0, 1.0)
    assert bias_parts(crane, [one], weeks) == (BiasPart(0.25, 8.0, False), BiasPart(0.75, 1.0, False))
    silent = one._replace(found_error_pct=None)
    assert bias_parts(crane, [silent], weeks)[0] == BiasPart(0.25, PRESSURE_BIAS_PCT, True)
    # within a week the larger of both holds for all of it
    assert bias_parts(crane, [one._replace(day=one.day + DAY)], weeks) == (
        BiasPart(0.5, 8.0, False),
        BiasPart(0.5, 1.0, False),
    )
    # what the next one finds was there before
    after = Calibration(MONDAY + timedelta(weeks=3), 3.0, 0.5)
    assert [part[:2] for part in bias_parts(crane, [one, after], weeks)] == [
        (0.25, 8.0),
        (0.5, 3.0),
        (0.25, 0.5),
    ]
    entered = crane.model_copy(update={"pressure_bias_pct": 10.0})
    assert bias_parts(entered, [one], weeks)[0] == BiasPart(0.25, 10.0, False)
    assert bias_parts(crane, [one], {}) == (BiasPart(1.0, 1.0, False),)


def test_the_range_holds_the_truth_that_a_calibration_found() -> None:
    """Readings were half of the truth: ranges twice as large, cubes eight times. Ten percent low: 1 / 0.9."""
    crane, weeks = invented_crane(), {MONDAY: 1.0}
    for error, ratio in ((-50.0, 2.0), (-10.0, 1 / 0.9), (-90.0, 10.0), (25.0, 1.25)):
        parts = bias_parts(crane, [Calibration(MONDAY + timedelta(weeks=1), error, 1.0)], weeks)
        found = of_used_share(crane, UsedShare(0.01, 0.0), 1.0, parts)
        (bias,) = [one for one in found.influences if one.source is Source.PRESSURE_BIAS]
        assert bias.high == pytest.approx(0.01 * ratio**3)
        assert 0 <= bias.low < 0.01
        harm = of_damage(crane, lambda factor: 0.1 * factor**3, 0.0, 1.0, bias=parts)
        (bias,) = [one for one in harm.influences if one.source is Source.PRESSURE_BIAS]
        assert bias.high == pytest.approx(0.1 * ratio**3)
        assert 0 < bias.low < 0.1


def test_what_a_calibration_proved_too_low_is_in_the_used_share_its_forecast_and_the_damage() -> None:
    """Four weeks of equal duty; from the first calibration (right) to the second, two weeks, readings were half of the truth."""
    weeks = {MONDAY + timedelta(weeks=week): 100.0 for week in range(4)}
    right = Calibration(MONDAY + timedelta(weeks=1), 0.5, 1.0)
    low = Calibration(MONDAY + timedelta(weeks=3), -50.0, 1.0)
    assert [*raised([right, low], weeks).values()] == [100.0, 800.0, 800.0, 100.0]
    high = low._replace(found_error_pct=50.0)  # too high: nothing is taken away
    assert raised([right, high], weeks) == weeks
    within = low._replace(found_error_pct=-0.8)  # no more than the calibration itself leaves open
    assert raised([right, within], weeks) == weeks
    early = right._replace(day=right.day + 3 * DAY)  # in the week of both
    assert [*raised([early, low], weeks).values()] == [100.0, 800.0, 800.0, 100.0]
    design = DesignClass(edition=Edition.EN_13001_1, u_class="U4", q_class="Q3")
    crane = invented_crane().model_copy(update={"design": design})
    totals = Totals(
        lifts=1000,
        cube_sum=400.0,
        recorded_ms=3_600_000,
        weeks=weeks,
        first_day=MONDAY,
        last_day=MONDAY + 28 * DAY,
    )
    plain, known = (
        life_status(crane, replace(totals, noted=Noted(calibrations=of))) for of in ([right], [right, low])
    )
    assert plain.used is not None
    assert known.used is not None
    assert known.used.counted == plain.used.counted
    assert known.used.total - plain.used.total == pytest.approx(1400 / 400 * plain.used.counted)
    assert known.read_low == pytest.approx(known.used.unrecorded - plain.used.unrecorded)
    assert known.carried_damage(0.1) >= plain.carried_damage(0.1) + 0.1 * 1400 / 400 - 1e-12
    assert max(known.weekly_share) == pytest.approx(8 * max(plain.weekly_share))
    unclassed = life_status(invented_crane(), replace(totals, noted=Noted(calibrations=[right, low])))
    assert unclassed.carried_damage(0.1) >= 0.1 * 1400 / 400
    # what is taken already is in doubt by what the calibration left, and not by all of it again
    assert max(part.bias_pct for part in known.bias) < 6


def test_the_ranges_follow_the_calibrations() -> None:
    crane = invented_crane()
    parts = (BiasPart(0.25, 8.0, False), BiasPart(0.75, 1.0, False))
    found = of_used_share(crane, UsedShare(0.2, 0.0), 1.0, parts)
    (bias,) = [one for one in found.influences if one.source is Source.PRESSURE_BIAS]
    assert bias.high == pytest.approx(0.2 * (0.25 * 1.08**3 + 0.75 * 1.01**3))
    assert bias.low == pytest.approx(0.2 * (0.25 * 0.92**3 + 0.75 * 0.99**3))
    assert not bias.assumed
    harm = of_damage(crane, lambda factor: 0.1 * factor**3, 0.0, 1.0, bias=parts)
    (bias,) = [one for one in harm.influences if one.source is Source.PRESSURE_BIAS]
    assert bias.high == pytest.approx(0.1 * 1.08**3)


def test_a_changed_detail_carries_nothing_from_before_the_record() -> None:
    rows = [Row(1, "changed_detail", MONDAY + DAY, detail="boom foot")]
    totals = Totals(
        lifts=10, cube_sum=2.0, recorded_ms=1, weeks={MONDAY: 2.0}, first_day=MONDAY, last_day=MONDAY + 3 * DAY,
        noted=noted_in(rows),
    )  # fmt: skip
    stands = life_status(invented_crane(), totals)
    assert stands.counted_since("boom foot") == MONDAY + DAY
    assert stands.counted_since("column foot") is None
    assert stands.unknown_years > 0
    assert stands.carried_damage(0.1) > 0
    assert stands.carried_damage(0.1, changed=True) == 0
    before = Totals(
        weeks={}, first_day=MONDAY, noted=noted_in([Row(1, "changed_detail", MONDAY, detail="boom foot")])
    )
    assert life_status(invented_crane(), before).counted_since("boom foot") is None


def test_every_record_says_what_it_does() -> None:
    rows = [
        Row(1, "inspection", MONDAY),
        Row(2, "inspection", MONDAY, service_interval="yearly"),
        Row(3, "finding", MONDAY, note="play"),
        Row(4, "finding", MONDAY, note="play", closed_on=MONDAY),
        Row(5, "crack", MONDAY, detail="x", closed_on=MONDAY),
        Row(6, "crack", MONDAY, detail="x", withdrawn=True),
        Row(7, "changed_detail", MONDAY + DAY, detail="boom foot"),
        Row(8, "changed_detail", MONDAY + 2 * DAY, detail="boom foot"),
        Row(9, "changed_detail", MONDAY, detail="column foot"),
        Row(10, "changed_detail", MONDAY, detail="hook"),
        Row(11, "calibration", MONDAY, channel="utilisation_pct", left_error_pct=2.0),
        Row(12, "calibration", MONDAY, channel="utilisation_pct", left_error_pct=1.0),
        Row(13, "calibration", MONDAY, channel="slew_deg", left_error_pct=1.0),
        Row(14, "repair", MONDAY),
    ]
    found = effects(rows, details={"boom foot", "column foot"}, first_day=MONDAY, assessed_on=None)
    assert list(found.values()) == [
        Effect.NONE, Effect.INTERVAL, Effect.CALLS, Effect.CLOSED, Effect.CALLS_UNTIL_ASSESSED, Effect.WITHDRAWN,
        Effect.SUPERSEDED, Effect.SUM_BEGINS, Effect.SUM_OF_RECORD, Effect.NO_SUCH_DETAIL, Effect.SUPERSEDED, Effect.BIAS,
        Effect.OTHER_CHANNEL, Effect.NONE,
    ]  # fmt: skip
    assert noted_in(rows).calibrations == [Calibration(MONDAY, None, 1.0)]
    assert noted_in(rows).changed_details["boom foot"] == MONDAY + 2 * DAY


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"kind": "crack"}, "needs detail"),
        ({"kind": "finding"}, "needs note"),
        ({"kind": "calibration", "channel": "utilisation_pct"}, "needs left_error_pct"),
        ({"length_mm": 3.0}, "length_mm does not belong"),
        ({"kind": "repair", "found_in": 1}, "found_in does not belong"),
        ({"happened_on": "1920-01-01"}, "1950"),
        ({"happened_on": "20260302"}, "2026-03-02"),
        ({"person": "  "}, "person"),
        ({"note": "a\x00b"}, "note"),
        ({"kind": "crack", "detail": "x", "length_mm": 0.0}, "length_mm"),
        ({"kind": "calibration", "channel": "pressure", "left_error_pct": 1.0}, "channel"),
    ],
)
def test_what_does_not_fit_its_kind_is_refused(change: dict[str, Any], words: str) -> None:
    with pytest.raises(ValueError, match=words):
        LifeRecordAsked.model_validate(
            {"kind": "inspection", "happened_on": "2026-03-02", "person": "A", **change}
        )
