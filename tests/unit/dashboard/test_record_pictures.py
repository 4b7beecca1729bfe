"""Pictures of the record made by hand: modes over time, the working area, which faults come most."""

from datetime import UTC, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from dashboard.pages import faults
from dashboard.parts import area, charts, trace
from domain.answers import AreaCell, SamplesAnswer, Series, WorkingAreaAnswer
from domain.channels import Mode
from domain.fault_answers import CodeRow, CraneFaultsRow, FaultPareto
from domain.fleet_answers import Confident
from words.numbers import Units


def said(part: Any) -> str:
    """What a part is made of, with plain spaces for those that hold a figure and its unit together."""
    return str(part).replace("\\xa0", " ").replace("\\u202f", " ")


START = datetime(2026, 11, 25, 8, tzinfo=UTC)
START_MS = round(START.timestamp() * 1000)


def samples(values: list[float | None], at_s: list[int], bucket_ms: int | None) -> SamplesAnswer:
    return SamplesAnswer(
        crane="heron-3",
        time_from=START,
        time_to=START + timedelta(hours=1),
        recorded_samples=len(values),
        reduced=bucket_ms is not None,
        bucket_ms=bucket_ms,
        at_ms=tuple(START_MS + 1000 * at for at in at_s),
        series={"mode": Series(unit="", low=tuple(values), high=tuple(values))},
    )


def runs(*given: Any) -> list[tuple[int, int, Mode]]:
    found = trace.mode_runs(samples(*given))
    return [
        (round((a - START).total_seconds()), round((b - START).total_seconds()), mode) for a, b, mode in found
    ]


def test_a_stretch_ends_where_the_mode_changes_and_where_the_record_does() -> None:
    assert runs([1, 1, 2, None, 2], [0, 10, 20, 30, 40], 10_000) == [
        (0, 20, Mode.STABILISER),
        (20, 30, Mode.REMOTE),
        (40, 50, Mode.REMOTE),
    ]
    assert runs([2, 2, 2, 3], [0, 1, 2, 300], None) == [(0, 3, Mode.REMOTE), (300, 301, Mode.EMERGENCY)]


def test_modes_are_drawn_with_their_times_and_emergency_stands_out() -> None:
    drawn = trace.modes(samples([2, 2, 3], [0, 600, 1200], 600_000), ZoneInfo("Europe/Vienna"))
    words = said(drawn)
    assert "Remote control 20 min and Emergency 10 min." in words
    assert "@act_fill" in words
    assert "2026-11-25T09:00:00" in words, "the clock of the site"


def test_the_place_of_the_folded_boom_does_not_take_all_colour() -> None:
    def cell(slew: float, reach: float, minutes: float) -> AreaCell:
        return AreaCell(
            slew_from_deg=slew, slew_to_deg=slew + 15, quarter="right", outreach_from_m=reach, outreach_to_m=reach + 1,
            recorded_s=60 * minutes, near_limit_s=0,
        )  # fmt: skip

    answer = WorkingAreaAnswer(
        crane="heron-3", day_from=START.date(), day_to=START.date(), near_limit_from_pct=90, near_limit_place=None,
        cells=(cell(0, 0, 1000), cell(90, 8, 10), cell(105, 8, 1)),
    )  # fmt: skip
    figure = next(part for part in area.heatmap(answer, Units.METRIC).children if getattr(part, "data", None))
    heat = figure.data["data"][0]
    coloured = sorted(one for row in heat["z"] for one in row if one is not None)
    assert coloured == [0, 1, 3]
    assert sorted(one for row in heat["customdata"] for one in row if one is not None) == [1, 10, 1000]


def test_codes_carry_their_running_share_and_cranes_their_hours_between_two() -> None:
    often = Confident(value=0.1, low=0.05, high=0.2, enough=True)
    found = FaultPareto(
        time_from=START, time_to=START, repeat_days=7,
        codes=(
            CodeRow(code="H-1", count=30, cranes=2, open=1, open_hours=3, repeats=4, running_share=0.75),
            CodeRow(code="B-2", count=10, cranes=1, open=0, open_hours=1, repeats=0, running_share=1),
        ),
        cranes=(CraneFaultsRow(crane="heron-3", count=40, codes=2, open=1, working_hours=80, per_hour=often, hours_between=2),),
    )  # fmt: skip
    drawn = said(faults._pareto(found, {"H-1": "oil warm"}))
    assert "40 faults, 2 codes; the top three make up 100" in drawn
    assert "30 · 75 %" in drawn
    assert "oil warm" in drawn
    by_crane = said(faults._by_crane(found))
    assert "/crane/heron-3?tab=events&kinds=faults" in by_crane
    assert "2.0 h" in by_crane


def test_an_axis_of_time_leaves_no_span_without_a_form() -> None:
    edges = [stop["dtickrange"] for stop in charts.TIMES]
    assert edges[0][0] is None
    assert edges[-1][1] is None
    assert all(before[1] == after[0] for before, after in zip(edges, edges[1:], strict=False))


def test_lengths_of_a_trace_are_shown_in_the_units_chosen_and_kept_in_the_file_as_stored() -> None:
    metres = (3.048, None, 6.096)
    found = samples([None] * 3, [0, 1, 2], None)
    found = found.model_copy(update={"series": {"outreach_m": Series(unit="m", low=metres, high=metres)}})
    words = said(trace.channel(found, "outreach_m", ZoneInfo("UTC"), Units.US, computed=True))
    assert "Between 10.0 and 20.0 ft." in words
    assert "Outreach [ft]" in words
    assert "low_m%2Chigh_m" in words
    assert "'dash': 'dot'" in words, "what is computed is drawn broken"


def test_a_further_channel_is_drawn_under_its_name_with_its_unit() -> None:
    bar = (180.5, None, 200.0)
    found = samples([None] * 3, [0, 1, 2], None)
    found = found.model_copy(update={"series": {"oil_pressure_bar": Series(unit="bar", low=bar, high=bar)}})
    words = said(trace.channel(found, "oil_pressure_bar", ZoneInfo("UTC"), Units.US))
    assert "Between 180.5 and 200.0 bar." in words
    assert "oil_pressure_bar [bar]" in words
