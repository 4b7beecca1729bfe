"""Forms read what people type; the pictures of life say what the answers hold."""

from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any

import anyio
import pytest

from dashboard.client import Client
from dashboard.pages.crane import duty as crane_duty
from dashboard.pages.crane import faults as crane_faults
from dashboard.pages.life import damage as life_damage
from dashboard.pages.life import details as life_details
from dashboard.pages.life import forecast as life_forecast
from dashboard.pages.life import list as life_list
from dashboard.pages.settings import alerts as settings_alerts
from dashboard.parts import form
from dashboard.parts.form import Done, Unreadable, Values
from domain.alerts import AlertRuleAsked
from domain.answers import SmallestLift, SpectrumAnswer
from domain.detail import DetailSpec
from domain.errors import Conflict, InvalidInput
from domain.fault_answers import FaultEpisodeRow
from domain.life_answers import DamageAnswer, DamageCell, Forecast, Outlook, WhatIfAnswer
from domain.maintenance import DetailAsked, ServicePlanAsked
from domain.remark import percent
from duty.sn import en_1993_1_9, en_13001_3_1, iiw
from tests.unit.dashboard.test_fleet_page import row as fleet_row
from words.numbers import Units
from words.remarks import remark

DETAIL = {
    "name": "column foot",
    "mpa_per_pct": 1.4,
    "offset_mpa": 0,
    "curve": "EN 1993-1-9",
    "reference_mpa": 63,
    "slope_m": 3,
    "gamma_mf": 1.25,
    "direction": "none",
    "direction_deg": "",
    "is_default": "no",
}

CATALOGUE = Path(__file__).parents[3] / "words" / "catalogue" / "en.toml"


def test_a_detail_is_read_with_its_place() -> None:
    plain = form.read(DetailAsked, life_details.asked_of(DETAIL))
    assert (plain.mpa_per_pct, plain.direction, plain.is_default) == (1.4, "none", False)
    turned = form.read(
        DetailAsked, life_details.asked_of({**DETAIL, "direction": "angle", "direction_deg": 90})
    )
    assert turned.direction == 90.0


@pytest.mark.parametrize(
    ("changes", "field"),
    [
        ({"mpa_per_pct": ""}, "mpa_per_pct"),
        ({"mpa_per_pct": 0}, "mpa_per_pct"),
        ({"gamma_mf": 3}, "gamma_mf"),
        ({"direction": "angle"}, "direction_deg"),
    ],
)
def test_what_is_wrong_stands_beside_its_field(changes: dict[str, Any], field: str) -> None:
    with pytest.raises(Unreadable) as caught:
        form.read(DetailAsked, life_details.asked_of({**DETAIL, **changes}))
    assert set(caught.value.problems) == {field}


OWN = {
    **DETAIL, "curve": "own", "source": "test report 12", "slope_1": 3, "cycles_1": 5e6, "slope_2": "", "cycles_2": "",
    "slope_3": 5, "cycles_3": "",
}  # fmt: skip


def test_an_own_curve_is_read_line_by_line_with_its_source() -> None:
    read = life_details.read_detail(OWN)
    assert [(line.slope_m, line.to_cycles) for line in read.branches] == [(3.0, 5e6), (5.0, None)]
    assert (read.curve, read.source) == ("own", "test report 12")
    assert (
        life_details.read_detail({**OWN, **DETAIL, "slope_1": "", "cycles_1": "", "slope_3": ""}).branches
        == ()
    )


@pytest.mark.parametrize(
    ("changes", "field"),
    [
        ({"source": ""}, "source"),
        ({"slope_3": 0.5}, "slope_3"),
        ({"slope_1": "", "cycles_1": "", "slope_3": ""}, "slope_1"),
        ({"slope_1": ""}, "slope_1"),
        ({"slope_2": 4, "cycles_2": 4e6}, "slope_1"),
        ({"cycles_1": 1e6}, "slope_1"),
        ({"curve": "IIW"}, "slope_1"),
    ],
)
def test_what_is_wrong_with_an_own_curve_stands_in_its_lines(changes: dict[str, Any], field: str) -> None:
    with pytest.raises(Unreadable) as caught:
        life_details.read_detail({**OWN, **changes})
    assert set(caught.value.problems) == {field}


def test_the_form_shows_every_line_of_a_curve_that_was_entered_with_more() -> None:
    lines = [{"slope_m": 3 + place, "to_cycles": 1e7 * (place + 1)} for place in range(4)]
    spec = {"mpa_per_pct": 1.4, "curve": "own", "reference_mpa": 63, "branches": lines, "source": "a test"}
    drawn = life_details._own_curve("detail", DetailSpec.model_validate(spec))
    assert drawn.open
    values = {part.id["name"]: part.value for part in drawn.children[2].children}
    assert len(values) == 9
    assert (values["source"], values["slope_4"], values["cycles_4"]) == ("a test", 6.0, 4e7)


def test_the_life_list_ranks_the_unknown_first_and_then_the_most_used() -> None:
    cranes = (
        fleet_row("a-1", used_share=0.2),
        fleet_row("b-2", used_share=None),
        fleet_row("c-3", used_share=0.97),
    )
    rows = life_list.grid_rows(cranes)
    assert [(row["crane"], row["life_state"]) for row in rows] == [
        ("b-2", "stale"),
        ("c-3", "act"),
        ("a-1", "ok"),
    ]
    assert (rows[1]["crane_href"], rows[0]["life_text"]) == ("/life/c-3", "no design class")


def test_a_problem_of_the_whole_form_names_no_single_field() -> None:
    with pytest.raises(Unreadable, match="at least one of"):
        form.read(ServicePlanAsked, {"every_hours": "", "every_lifts": None, "every_days": "", "note": ""})


def test_a_rule_needs_the_name_of_its_scope() -> None:
    typed = {
        "kind": "fault_code",
        "priority": "high",
        "scope": "crane",
        "codes": "X-01, X-02",
        "enabled": "yes",
    }
    with pytest.raises(Unreadable):
        settings_alerts.rule_of(typed)
    rule = form.read(AlertRuleAsked, settings_alerts.rule_of({**typed, "scope_name": "heron-3"}))
    assert (rule.crane, rule.codes, rule.enabled) == ("heron-3", ("X-01", "X-02"), True)


def test_what_the_api_refuses_comes_back_by_field(monkeypatch: pytest.MonkeyPatch) -> None:
    async def refuse(_client: Client, values: Values, _context: Values) -> Done:
        raise InvalidInput("too many", field=values["which"]) if values["which"] else Conflict("taken")

    monkeypatch.setitem(form.HANDLERS, "refused", refuse)

    def problems(which: str) -> dict[str, str]:
        outcome = anyio.run(form.send, Client(), "refused", {"which": which}, {})
        assert isinstance(outcome, Unreadable)
        return outcome.problems

    assert problems("which.deeper") == {"which": "too many"}
    assert problems("elsewhere") == {"": "too many"}
    assert problems("") == {"": "taken"}


def outlook(crane: str, year: int) -> Outlook:
    spent = Forecast(
        threshold=1.0,
        early_on=date(year, 1, 5),
        middle_on=date(year, 6, 5),
        late_on=None,
        weeks_used=20,
        trend="",
    )
    return Outlook(
        crane=crane,
        used_share=0.4,
        share_a_year=0.1,
        review=None,
        spent=spent,
        detail="",
        detail_assumed=True,
        damage_a_year=None,
    )


def test_the_answer_to_what_if_shows_both_cranes_before_and_after() -> None:
    found = WhatIfAnswer(
        cautions=(),
        crane="heron-3",
        duty_factor=1.0,
        heavy_from_pct=80.0,
        moved_share=1.0,
        to="crake-1",
        heavy_lifts_a_year=10,
        moved_lifts_a_year=10,
        too_heavy_lifts_a_year=0,
        before=outlook("heron-3", 2031),
        after=outlook("heron-3", 2035),
        other_before=outlook("crake-1", 2050),
        other_after=outlook("crake-1", 2045),
        remarks=(remark("what_if.pace", pace=percent(0.5)),),
        sentence="",
        assumptions=(remark("what_if.weeks_drawn"),),
    )
    words = str(life_forecast.answer_words(found))
    for part in (
        "use its life at 50 % of the pace of now",
        "2031",
        "2035",
        "2050",
        "2045",
        "beyond the horizon",
        "drawn from the whole weeks on record",
    ):
        assert part in words


def damage(*cells: DamageCell) -> DamageAnswer:
    return DamageAnswer(
        cautions=(),
        crane="heron-3",
        day_from=date(2026, 1, 1),
        day_to=date(2026, 2, 1),
        detail="column foot",
        assumed=False,
        damage=0.1,
        equivalent_range_mpa=30,
        curve="EN 1993-1-9 category 63",
        curve_source="second-hand",
        gamma_mf=1.25,
        mpa_per_pct=1.0,
        direction_deg=None,
        residue_rule="half_cycles",
        curve_points=(),
        cut_off_mpa=None,
        steps=(),
        cells=cells,
        around_base=(),
        around_base_note=remark("damage.no_slewing"),
        remarks=(remark("damage.none"),),
    )


def test_cells_without_cycles_are_drawn_as_holes_of_the_same_size() -> None:
    def cell(low: float, high: float, share: float) -> DamageCell:
        return DamageCell(
            low_from_pct=low, high_from_pct=high, width_pct=5, cycles=3, damage=share, share=share
        )

    drawn = life_damage._cells(damage(cell(0, 100, 0.7), cell(15, 90, 0.3)))
    figure = next(part.data for part in drawn.children if getattr(part, "data", None))
    assert figure["data"][0]["x"] == [2.5, 7.5, 12.5, 17.5]
    assert figure["data"][0]["z"][2] == [70.0, None, None, None]
    assert "from 0–5 up to 100–105 %" in str(drawn)


def test_damage_without_slewing_angles_says_so() -> None:
    assert "no slewing angles" in str(life_damage._around(damage()))


def test_a_fault_tells_what_was_recorded_of_its_moment_and_nothing_else() -> None:
    blank = dict.fromkeys(FaultEpisodeRow.model_fields)
    row = FaultEpisodeRow(
        **{
            **blank,
            "code": "X-01",
            "text": "oil hot",
            "raised_at": datetime(2026, 11, 25, 8, tzinfo=UTC),
            "open_s": 60.0,
            "raised_times": 1,
            "repeats": 0,
        }
    )
    assert crane_faults.doing(row, Units.METRIC) == "nothing was recorded"
    told = row.model_copy(update={"utilisation_pct": 88.0, "peak_utilisation_pct": 104.0, "outreach_m": 9.5})
    assert crane_faults.doing(told, Units.METRIC) == (
        "88\u00a0% utilisation, 104\u00a0% at most in the 30 s before, 9.5\u00a0m out"
    )


def test_no_sentence_of_a_screen_says_from_memory() -> None:
    """Sources read as edition and clause, or as unverified, which Settings explains once."""
    found = CATALOGUE.read_text()
    assert "from memory" not in found
    assert "second-hand" not in found
    for curve in (iiw(80.0), en_1993_1_9(71.0), en_13001_3_1(100.0)):
        assert curve.source.endswith("unverified")


def test_the_duty_page_says_where_lifts_may_be_missing() -> None:
    lifts = (SmallestLift(outreach_m=4.0, mass_kg=120.0), SmallestLift(outreach_m=8.0, mass_kg=61.0))
    known = SpectrumAnswer.model_construct(smallest_lifts=lifts, beyond=None)
    missing = known.model_copy(update={"days_without_pose": 3, "no_pose_s": 7200.0})
    words = str(crane_duty._notes(known, Units.METRIC))
    words = words.replace("\\xa0", " ").replace("\xa0", " ")
    assert "120 kg at 4.0 m and 61 kg at 8.0 m" in words
    assert "boom position" not in words
    words = str(crane_duty._notes(missing, Units.METRIC))
    assert "On 3 of these days the boom position was not known" in words
    assert "missing for 2.0" in words
