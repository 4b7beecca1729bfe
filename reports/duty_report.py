"""The duty report of a crane as PDF/UA: the same answers as on the screens, in words and tables."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Final
from zoneinfo import ZoneInfo

from domain.answers import FaultRow, SpectrumAnswer
from domain.crane import Crane
from domain.description import DescriptionEntry
from domain.exclusion import ExclusionRow
from domain.findings import FindingRow
from domain.life_answers import LifeAnswer
from domain.life_record import LifeRecordRow
from domain.maintenance import DayRow, ServiceRow
from domain.overload import OverloadRow
from domain.remark import years
from domain.units import ms_to_s, s_to_h
from duty.levels import NEAR_LIMIT_PCT
from reports import rows
from reports.document import Pairs, bars, hours, moment, number, or_dash, pdf, percent
from words.remarks import remark
from words.texts import cautions, t

LEVEL_STEP_PCT: Final = 10
METHOD: Final = ("percent", "cycles", "classes", "used_share", "assessment", "no_guarantee")


@dataclass(frozen=True, kw_only=True)
class DutyReport:
    """What a report is made of: answers of the api, and the instant up to which they were counted."""

    crane: Crane
    time_zone: str
    spectrum: SpectrumAnswer
    life: LifeAnswer
    days: Sequence[DayRow]
    faults: Sequence[FaultRow]
    service: Sequence[ServiceRow]
    exclusions: Sequence[ExclusionRow]  # of the whole record
    records: Sequence[LifeRecordRow]
    descriptions: Sequence[DescriptionEntry]
    findings: Sequence[FindingRow]
    overloads: Sequence[OverloadRow]  # of the whole record
    counted_at: datetime


def duty_report_pdf(report: DutyReport) -> bytes:
    """The report as PDF/UA; the same answers give the same bytes. CPU work: run it in a thread."""
    return pdf("duty_report", report_data(report), report.counted_at)


def report_data(report: DutyReport) -> dict[str, Any]:
    """Everything that the pages show."""
    local = report.counted_at.astimezone(ZoneInfo(report.time_zone))
    spectrum = report.spectrum
    return {
        "title": t("report.duty_report", title=report.crane.title or report.crane.name),
        "date": [local.year, local.month, local.day],
        "footer": t(
            "report.counted_up_to",
            name=report.crane.name,
            local=f"{local:%Y-%m-%d %H:%M}",
            time_zone=report.time_zone,
        ),
        "cautions": list(cautions("duty")),
        "crane": rows.crane_rows(report.crane),
        "record": record_rows(report),
        "use": rows.use_rows(spectrum),
        "life": rows.life_rows(report.life),
        "unsure": unsure_rows(report.life),
        "details": [rows.detail_row(detail) for detail in report.life.details],
        "directions": [row for detail in report.life.details for row in rows.direction_rows(detail)],
        "spectrum_note": t(
            "report.ranges_of_structural_percent_bars", replace=spectrum.residue_rule.replace("_", " ")
        ),
        "ranges": bars(
            [
                (t("report.to_6", low_pct=one.low_pct, high_pct=one.high_pct), one.cycles)
                for one in reversed(spectrum.ranges)
            ],
            logarithmic=True,
        ),
        "levels": level_bars(spectrum),
        "findings": [rows.finding_cells(row)[1:] for row in report.findings],
        "limiter": limiter_rows(report),
        "overloads": [rows.overload_cells(row)[1:] for row in report.overloads],
        "faults": [
            [row.code, str(row.raised), moment(row.open_since, report.time_zone), row.text]
            for row in report.faults
        ],
        "service": [
            [row.plan, moment(row.done_at, report.time_zone), or_dash(row.due_on), or_dash(row.due_by)]
            for row in report.service
        ],
        "exclusions": [rows.exclusion_row(row, report.time_zone) for row in report.exclusions],
        "records": [rows.record_cells(row) for row in report.records if not row.withdrawn],
        "descriptions": [rows.description_row(entry) for entry in report.descriptions],
        "method": [t(f"report.duty_method.{name}") for name in METHOD],
        "assumptions": assumptions(report),
    }


def record_rows(report: DutyReport) -> Pairs:
    """What was recorded, and how much is missing."""
    spectrum, life = report.spectrum, report.life
    assumed_ms = sum(day.limit_assumed_ms for day in report.days)
    return [
        (
            t("report.period"),
            t(
                "report.to_local_days_of",
                day_from=spectrum.day_from,
                day_to=spectrum.day_to,
                time_zone=report.time_zone,
            ),
        ),
        (t("report.days_with_data"), str(spectrum.days_recorded)),
        (t("report.time_recorded"), hours(spectrum.recorded_s)),
        (t("report.coverage_whole_record"), percent(life.coverage)),
        (t("report.excluded_in_use_and_not"), hours(ms_to_s(sum(day.excluded_ms for day in report.days)))),
        (t("report.limit_pct_assumed_100"), hours(ms_to_s(assumed_ms))),
        (t("report.utilisation_below_0"), hours(spectrum.below_zero_s)),
        (t("report.spikes"), rows.spike_words(spectrum)),
        (t("report.days_without_a_boom_position"), str(spectrum.days_without_pose)),
        (t("report.time_without_a_boom_position"), hours(spectrum.no_pose_s)),
        (t("report.smallest_lift_found_for_certain"), smallest_words(spectrum)),
        (t("report.findings_about_readings"), rows.finding_words(report.findings)),
    ]


def smallest_words(spectrum: SpectrumAnswer) -> str:
    """From which mass on lifts are found, by outreach."""
    each = [
        t("report.kg_at_m", mass_kg=one.mass_kg, outreach_m=one.outreach_m) for one in spectrum.smallest_lifts
    ]
    return ", ".join(each) or "-"


def unsure_rows(life: LifeAnswer) -> list[list[str]]:
    """How sure the used share and the damage of each detail are: figure, influence, low, high, by."""
    figures = [(t("report.used_share"), rows.influence_rows(life.used_share_unsure, percent))]
    figures += [
        (t("report.damage", detail=detail.detail), rows.influence_rows(detail.unsure, number))
        for detail in life.details
    ]
    return [[name if place == 0 else "", *row] for name, found in figures for place, row in enumerate(found)]


def assumptions(report: DutyReport) -> list[str]:
    """What had to be assumed for this crane and this period."""
    crane, life = report.crane, report.life
    assumed_s = ms_to_s(sum(day.limit_assumed_ms for day in report.days))
    found = [
        t("report.limit_pct_was_not_sent", assumed_s=hours(assumed_s))
        if assumed_s
        else t("report.limit_pct_was_sent_throughout"),
        t("report.safety_factor_f1_2", f1=life.f1, text=life.f1_reason.text),
        *_history(crane, life),
        t("report.special_assessment", text=life.special_assessment_reason.text),
    ]
    if life.used_share_unrecorded:
        found.append(t("report.time_in_use_that_is"))
    if crane.design is None:
        found.append(t("report.no_design_class_is_entered"))
    outside = [report.spectrum.beyond, *(detail.beyond for detail in life.details)]
    found += dict.fromkeys(one.remark.text for one in outside if one is not None)
    if any(detail.assumed for detail in life.details):
        found.append(t("report.no_weld_detail_is_entered"))
    return found


def _history(crane: Crane, life: LifeAnswer) -> list[str]:
    """What is assumed for the time before the record, and for long breaks in it."""
    found = [t("report.duty_before_the_record_is")]
    if crane.prior_duty is not None:
        found = [t("report.duty_before_the_record_was")]
    if life.unknown_years:
        found.append(
            t(
                "report.nothing_is_known_of_years",
                unknown_years=life.unknown_years,
                design_years=life.design_years,
            )
        )
        if life.design_years_assumed:
            found.append(t("report.the_design_years_are_not"))
        if not life.prior_from_manufacture:
            found.append(t("report.the_day_of_manufacture_is"))
    return [*found, remark("life.blank", years=years(life.blank_years)).text] if life.blank_years else found


def limiter_rows(report: DutyReport) -> Pairs:
    """Near the limit, stops, overrides."""
    near_ms = sum(day.near_limit_ms for day in report.days)
    loaded_ms = sum(day.loaded_ms for day in report.days)
    share = near_ms / loaded_ms if loaded_ms else None
    return [
        (t("report.time_under_load_in_a", near_limit_pct=NEAR_LIMIT_PCT), hours(ms_to_s(loaded_ms))),
        (
            t("report.of_it_at_or_above", near_limit_pct=NEAR_LIMIT_PCT),
            f"{hours(ms_to_s(near_ms))}, {percent(share)}",
        ),
        (t("report.limiter_stops"), str(sum(day.limiter_stops for day in report.days))),
        (t("report.limiter_overrides"), str(sum(day.limiter_overrides for day in report.days))),
        (t("report.on_the_manual_valves"), hours(ms_to_s(sum(day.emergency_ms for day in report.days)))),
        (
            t("report.lifts_above_100_structural_whole"),
            rows.overload_words(report.life.overloads, report.life.open_overloads),
        ),
    ]


def level_bars(spectrum: SpectrumAnswer) -> list[dict[str, Any]]:
    """Hours by steps of LEVEL_STEP_PCT, highest first; what lies below 0 in one step."""
    sums: dict[int, float] = {}
    for one in spectrum.time_at_level:
        step = max(int(one.low_pct // LEVEL_STEP_PCT), -1) * LEVEL_STEP_PCT
        sums[step] = sums.get(step, 0.0) + s_to_h(one.value)
    return bars(
        [
            (
                t("report.to_5", step=step, step_2=step + LEVEL_STEP_PCT)
                if step >= 0
                else t("report.below_0"),
                sums[step],
            )
            for step in sorted(sums, reverse=True)
        ]
    )
