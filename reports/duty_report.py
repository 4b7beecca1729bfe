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
from words.texts import cautions

LEVEL_STEP_PCT: Final = 10
METHOD: Final = (
    "Structural percent is the load moment over the full structural rating; it is what cycles, spectrum and life use. "
    "Utilisation is what the operator saw; near-limit figures use it.",
    "Cycles are counted by rainflow in fixed classes; what stays open is read by the rule named above.",
    "kQ is the mean cube of the lifts' peak structural share. Class letters of EN 13001-1 and of "
    "ISO 4301-1:1986 are unverified (known or restated, the standards were not at hand); they hold for the edition named and no other.",
    "The used share is reckoned in the manner of ISO 12482:2014, whose scope leaves out mobile cranes; f1 follows Depale "
    "and Bennebach, Mechanics & Industry 20 (2019) 802, Table 3.",
    "The assessment date follows Depale and Bennebach, Procedia Structural Integrity 38 (2022), p. 322, unless the maker says "
    "otherwise. A special assessment is made by an expert engineer and has a practical part.",
    "The design working period is not a guaranteed period. Monitoring replaces neither inspection nor maintenance.",
)


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
        "title": f"Duty report: {report.crane.title or report.crane.name}",
        "date": [local.year, local.month, local.day],
        "footer": f"{report.crane.name}, counted up to {local:%Y-%m-%d %H:%M} {report.time_zone}",
        "cautions": list(cautions("duty")),
        "crane": rows.crane_rows(report.crane),
        "record": record_rows(report),
        "use": rows.use_rows(spectrum),
        "life": rows.life_rows(report.life),
        "unsure": unsure_rows(report.life),
        "details": [rows.detail_row(detail) for detail in report.life.details],
        "directions": [row for detail in report.life.details for row in rows.direction_rows(detail)],
        "spectrum_note": f"Ranges of structural percent, {spectrum.residue_rule.replace('_', ' ')}, bars by the logarithm of cycles.",
        "ranges": bars(
            [(f"{one.low_pct:g} to {one.high_pct:g}", one.cycles) for one in reversed(spectrum.ranges)],
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
        "method": list(METHOD),
        "assumptions": assumptions(report),
    }


def record_rows(report: DutyReport) -> Pairs:
    """What was recorded, and how much is missing."""
    spectrum, life = report.spectrum, report.life
    assumed_ms = sum(day.limit_assumed_ms for day in report.days)
    return [
        ("period", f"{spectrum.day_from} to {spectrum.day_to}, local days of {report.time_zone}"),
        ("days with data", str(spectrum.days_recorded)),
        ("time recorded", hours(spectrum.recorded_s)),
        ("coverage, whole record", percent(life.coverage)),
        ("excluded, in use and not recorded", hours(ms_to_s(sum(day.excluded_ms for day in report.days)))),
        ("limit_pct assumed 100", hours(ms_to_s(assumed_ms))),
        ("utilisation below 0", hours(spectrum.below_zero_s)),
        ("spikes", rows.spike_words(spectrum)),
        ("days without a boom position, lifts from percent alone", str(spectrum.days_without_pose)),
        ("time without a boom position on the other days", hours(spectrum.no_pose_s)),
        ("smallest lift found for certain", smallest_words(spectrum)),
        ("findings about readings", rows.finding_words(report.findings)),
    ]


def smallest_words(spectrum: SpectrumAnswer) -> str:
    """From which mass on lifts are found, by outreach."""
    each = [f"{one.mass_kg:.0f} kg at {one.outreach_m:g} m" for one in spectrum.smallest_lifts]
    return ", ".join(each) or "-"


def unsure_rows(life: LifeAnswer) -> list[list[str]]:
    """How sure the used share and the damage of each detail are: figure, influence, low, high, by."""
    figures = [("used share", rows.influence_rows(life.used_share_unsure, percent))]
    figures += [
        (f"damage: {detail.detail}", rows.influence_rows(detail.unsure, number)) for detail in life.details
    ]
    return [[name if place == 0 else "", *row] for name, found in figures for place, row in enumerate(found)]


def assumptions(report: DutyReport) -> list[str]:
    """What had to be assumed for this crane and this period."""
    crane, life = report.crane, report.life
    assumed_s = ms_to_s(sum(day.limit_assumed_ms for day in report.days))
    found = [
        f"limit_pct was not sent for {hours(assumed_s)} of the period: 100 was assumed, which is conservative for life."
        if assumed_s
        else "limit_pct was sent throughout the period, but for gaps of 10 s at most: nothing was assumed for it.",
        f"Safety factor f1 = {life.f1:.3g}: {life.f1_reason.text}.",
        *_history(crane, life),
        f"Special assessment: {life.special_assessment_reason.text}.",
    ]
    if life.used_share_unrecorded:
        found.append(
            "Time in use that is not on record (excluded, or told by two boxes or a wrong clock) is taken at the pace of the"
            " crane's 90th-percentile week, and excluded time never at less than it had counted unless its readings are false."
        )
    if crane.design is None:
        found.append("No design class is entered: there is no used share, and none is assumed.")
    outside = [report.spectrum.beyond, *(detail.beyond for detail in life.details)]
    found += dict.fromkeys(one.remark.text for one in outside if one is not None)
    if any(detail.assumed for detail in life.details):
        found.append(
            "No weld detail is entered: one is assumed, the same for every crane, to compare cranes and nothing else."
        )
    return found


def _history(crane: Crane, life: LifeAnswer) -> list[str]:
    """What is assumed for the time before the record, and for long breaks in it."""
    found = ["Duty before the record is not entered."]
    if crane.prior_duty is not None:
        found = ["Duty before the record was stated by the owner and has a safety factor of its own."]
    if life.unknown_years:
        found.append(
            f"Nothing is known of {life.unknown_years:.1f} years before the record: they count 1.5 times over"
            f" {life.design_years:g} design years."
        )
        if life.design_years_assumed:
            found.append("The design years are not entered: the years to the special assessment stand in.")
        if not life.prior_from_manufacture:
            found.append("The day of manufacture is not entered: the first day of service stands in.")
    return [*found, remark("life.blank", years=years(life.blank_years)).text] if life.blank_years else found


def limiter_rows(report: DutyReport) -> Pairs:
    """Near the limit, stops, overrides."""
    near_ms = sum(day.near_limit_ms for day in report.days)
    loaded_ms = sum(day.loaded_ms for day in report.days)
    share = near_ms / loaded_ms if loaded_ms else None
    return [
        (f"time under load: in a lift, or at or above {NEAR_LIMIT_PCT} %", hours(ms_to_s(loaded_ms))),
        (
            f"of it at or above {NEAR_LIMIT_PCT} %",
            f"{hours(ms_to_s(near_ms))}, {percent(share)}",
        ),
        ("limiter stops", str(sum(day.limiter_stops for day in report.days))),
        ("limiter overrides", str(sum(day.limiter_overrides for day in report.days))),
        ("on the manual valves", hours(ms_to_s(sum(day.emergency_ms for day in report.days)))),
        (
            "lifts above 100 % structural, whole record",
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
            (f"{step} to {step + LEVEL_STEP_PCT}" if step >= 0 else "below 0", sums[step])
            for step in sorted(sums, reverse=True)
        ]
    )
