"""The duty report of a crane as PDF/UA: the same answers as on the screens, in words and tables."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Final
from zoneinfo import ZoneInfo

from api.life_records import record_cells
from api.life_words import INFLUENCES, blank_words, influence_rows
from api.overloads import report_cells, report_words
from api.typesetting import pdf
from domain.answers import CAUTIONS_DUTY, FaultRow, SpectrumAnswer
from domain.crane import Crane
from domain.description import BEGINNING, DescriptionEntry
from domain.exclusion import ExclusionRow
from domain.findings import FindingRow
from domain.life_answers import DetailDamage, LifeAnswer, UnsureFigure
from domain.life_record import LifeRecordRow
from domain.overload import OverloadRow
from domain.units import ms_to_s, s_to_h
from domain.upkeep import DayRow, ServiceRow
from duty.levels import NEAR_LIMIT_PCT

BAR_MM: Final = 90.0
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

Pairs = list[tuple[str, str]]


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
        "cautions": list(CAUTIONS_DUTY),
        "crane": crane_rows(report.crane),
        "record": record_rows(report),
        "use": use_rows(spectrum),
        "life": life_rows(report.life),
        "unsure": unsure_rows(report.life),
        "details": [detail_row(detail) for detail in report.life.details],
        "directions": [row for detail in report.life.details for row in direction_rows(detail)],
        "spectrum_note": f"Ranges of structural percent, {spectrum.residue_rule.replace('_', ' ')}, bars by the logarithm of cycles.",
        "ranges": bars(
            [(f"{one.low_pct:g} to {one.high_pct:g}", one.cycles) for one in reversed(spectrum.ranges)],
            logarithmic=True,
        ),
        "levels": level_bars(spectrum),
        "findings": [finding_cells(row)[1:] for row in report.findings],
        "limiter": limiter_rows(report),
        "overloads": [report_cells(row)[1:] for row in report.overloads],
        "faults": [
            [row.code, str(row.raised), _moment(row.open_since, report.time_zone), row.text]
            for row in report.faults
        ],
        "service": [
            [row.plan, _moment(row.done_at, report.time_zone), or_dash(row.due_on), or_dash(row.due_by)]
            for row in report.service
        ],
        "exclusions": [exclusion_row(row, report.time_zone) for row in report.exclusions],
        "records": [record_cells(row) for row in report.records if not row.withdrawn],
        "descriptions": [description_row(entry) for entry in report.descriptions],
        "method": list(METHOD),
        "assumptions": assumptions(report),
    }


def crane_rows(crane: Crane) -> Pairs:
    """Who the report is about."""
    design = crane.design
    return [
        ("name", crane.name),
        (
            "type",
            crane.type.title
            + (" (invented)" if crane.type.invented and "invented" not in crane.type.title else ""),
        ),
        ("site", crane.site),
        ("commissioned on", crane.commissioned_on.isoformat()),
        ("full structural rating", f"{crane.type.rated_moment_kn_m:g} kN·m"),
        (
            "design class, from its manual",
            f"{design.u_class}, {design.q_class}{f', {design.s_class}' if design.s_class else ''} of {design.edition}"
            if design
            else "not entered",
        ),
    ]


def record_rows(report: DutyReport) -> Pairs:
    """What was recorded, and how much is missing."""
    spectrum, life = report.spectrum, report.life
    assumed_ms = sum(day.limit_assumed_ms for day in report.days)
    return [
        ("period", f"{spectrum.day_from} to {spectrum.day_to}, local days of {report.time_zone}"),
        ("days with data", str(spectrum.days_recorded)),
        ("time recorded", hours(spectrum.recorded_s)),
        ("coverage, whole record", _percent(life.coverage)),
        ("excluded, in use and not recorded", hours(ms_to_s(sum(day.excluded_ms for day in report.days)))),
        ("limit_pct assumed 100", hours(ms_to_s(assumed_ms))),
        ("utilisation below 0", hours(spectrum.below_zero_s)),
        ("spikes", spike_words(spectrum)),
        ("days without a boom position, lifts from percent alone", str(spectrum.days_without_pose)),
        ("time without a boom position on the other days", hours(spectrum.no_pose_s)),
        ("smallest lift found for certain", smallest_words(spectrum)),
        ("findings about readings", finding_words(report.findings)),
    ]


def finding_words(found: Sequence[FindingRow]) -> str:
    """How many findings move the figures of how many cranes."""
    if not found:
        return "none: no proof that readings are right"
    cranes = len({row.crane for row in found})
    return f"{len(found)} at {cranes} crane{'s' if cranes > 1 else ''}: they move the figures of these, see below"


def finding_cells(row: FindingRow) -> list[str]:
    """One finding: what, when, which figures it moves, and what to do."""
    channel = f" ({row.channel})" if row.channel else ""
    days = f"{row.day_from} to {row.day_to}" if row.day_to > row.day_from else f"{row.day_from}"
    return [
        row.crane,
        f"{row.title}{channel}",
        f"{days}, {row.days} day{'s' if row.days > 1 else ''}",
        f"{row.figures}: {row.moves}",
        row.next_step,
    ]


def exclusion_row(row: ExclusionRow, time_zone: str) -> list[str]:
    """One span that does not count, or that was excluded and counts again."""
    reason = row.reason + (" (readings stated as false)" if row.readings_false else "")
    withdrawn = f"; withdrawn by {row.withdrawn_by}" if row.withdrawn_at is not None else ""
    return [
        f"{_moment(row.from_at, time_zone)} to {_moment(row.to_at, time_zone)}",
        row.channel or "all channels",
        reason,
        f"{row.entered_by}{withdrawn}",
    ]


def description_row(entry: DescriptionEntry) -> list[str]:
    """What the crane was like on some days."""
    parts = [
        *(f"{one.name} {one.mass_kg:g} kg" for one in entry.attachments),
        *(f"sensor replaced: {one.channel} {one.note}".strip() for one in entry.sensors_replaced),
        *([entry.note] if entry.note else []),
    ]
    return [
        "the beginning" if entry.valid_from == BEGINNING else entry.valid_from.isoformat(),
        entry.type.title or entry.type.name,
        f"{entry.type.rated_moment_kn_m:g} kN·m",
        "; ".join(parts),
    ]


def spike_words(spectrum: SpectrumAnswer) -> str:
    """Single readings that stand alone: how many do not count, and how many do."""
    if not spectrum.spikes + spectrum.spikes_counted:
        return "none"
    off = f"the farthest {spectrum.largest_spike_pct:.0f} points off"
    counted = ", which errs to the safe side" if spectrum.spikes_counted else ""
    return f"{spectrum.spikes} set aside, {spectrum.spikes_counted} counted{counted}; {off}"


def smallest_words(spectrum: SpectrumAnswer) -> str:
    """From which mass on lifts are found, by outreach."""
    each = [f"{one.mass_kg:.0f} kg at {one.outreach_m:g} m" for one in spectrum.smallest_lifts]
    return ", ".join(each) or "-"


def use_rows(spectrum: SpectrumAnswer) -> Pairs:
    """Class of use of the period beside the design class."""
    edition = f" of {spectrum.edition}" if spectrum.edition else ""
    found = [
        ("lifts in the period", str(spectrum.lifts)),
        ("kQ", number(spectrum.kq)),
        ("class of kQ", f"{spectrum.q_class or 'none'}{edition}"),
        ("class of use, whole life", f"{spectrum.u_class or 'none'}{edition}: {_life_lifts(spectrum)}"),
        ("class of use of the period alone", f"{spectrum.u_class_of_period or 'none'}{edition}"),
        (
            f"s_m of the period, m = {spectrum.s_slope_m:g}",
            f"{number(spectrum.s_m)}, class {spectrum.s_class or 'none'}",
        ),
    ]
    if spectrum.group is not None:
        found.append(("group", f"{spectrum.group}{edition}"))
    if spectrum.design_cycles is not None:
        found.append(("design", f"{spectrum.design_cycles:,.0f} cycles at kQ {number(spectrum.design_kq)}"))
        found.append(("lifts against the design", f"{100 * spectrum.lifts / spectrum.design_cycles:.3g} %"))
        if spectrum.kq is not None and spectrum.design_kq:
            heavier = "heavier" if spectrum.kq > spectrum.design_kq else "not heavier"
            found.append(
                (
                    "kQ against the design",
                    f"{spectrum.kq / spectrum.design_kq:.3g} times: {heavier} than designed for",
                )
            )
    return found


def _range(found: UnsureFigure | None) -> str:
    """The range of a used share, and what matters most in it."""
    if found is None:
        return "–"
    words = f"{_percent(found.low)} to {_percent(found.high)}"
    if not found.influences:
        return words
    return f"{words}; what matters most: {INFLUENCES[found.influences[0].source]}"


def unsure_rows(life: LifeAnswer) -> list[list[str]]:
    """How sure the used share and the damage of each detail are: figure, influence, low, high, by."""
    figures = [("used share", influence_rows(life.used_share_unsure, _percent))]
    figures += [
        (f"damage: {detail.detail}", influence_rows(detail.unsure, number)) for detail in life.details
    ]
    return [[name if place == 0 else "", *row] for name, found in figures for place, row in enumerate(found)]


def _life_lifts(spectrum: SpectrumAnswer) -> str:
    words = f"{spectrum.life_lifts:,.0f} lifts counted and entered"
    return words + (
        "; years before the record are unknown, so at least" if spectrum.life_lifts_at_least else ""
    )


def life_rows(life: LifeAnswer) -> Pairs:
    """Used share with its parts, the forecast with its range."""
    forecast = life.forecast
    if forecast is None:
        dates = life.forecast_reason or "none"
    else:
        late = forecast.late_on.isoformat() if forecast.late_on else "beyond the horizon"
        dates = (
            f"{_percent(forecast.threshold)} reached between {forecast.early_on} and {late}, middle {forecast.middle_on};"
            f" {forecast.weeks_used} weeks of record, use {forecast.trend}"
            + ("; under a year of record: a season may be unseen" if forecast.season_unseen else "")
        )
    return [
        (
            "used share, whole life",
            _percent(life.used_share) + (f" ({life.used_share_reason})" if life.used_share_reason else ""),
        ),
        ("80 % range of it", _range(life.used_share_unsure)),
        ("of it counted", _percent(life.used_share_counted)),
        ("of it before the record, as entered", _percent(life.used_share_prior)),
        (
            "of it before the record, not known",
            f"{_percent(life.used_share_unknown)} for {life.unknown_years:.1f} unknown years"
            + (f" of {life.design_years:g} design years" if life.design_years else "")
            + (", assumed from the years to the special assessment" if life.design_years_assumed else ""),
        ),
        ("of it in use without a record", _percent(life.used_share_unrecorded)),
        *(("entries contradict each other", one) for one in life.contradictions),
        ("safety factor f1", f"{life.f1:.3g}: {life.f1_reason}"),
        ("forecast of being used up", dates),
        ("special assessment on", f"{life.special_assessment_on}: {life.special_assessment_reason}"),
        ("in words", life.sentence),
    ]


def detail_row(detail: DetailDamage) -> list[str]:
    """One weld detail."""
    around = "" if detail.direction_deg is None else f", worst at {detail.direction_deg:g}°"
    return [
        detail.detail,
        f"{number(detail.damage)} of {detail.allowed_sum:g} ({number(detail.damage_counted)} counted)",
        f"{number(detail.damage_low)} to {number(detail.damage_high)}",
        f"{number(detail.equivalent_range_mpa)} MPa",
        f"{detail.curve}, {detail.gamma_mf:g}{around}",
    ]


def direction_rows(detail: DetailDamage) -> list[list[str]]:
    """Damage of one weld detail around half the base (the other half mirrors it), eight directions a line."""
    found = [
        f"{one.direction_deg:g}° {number(one.damage)}"
        for one in detail.by_direction
        if one.direction_deg < 180
    ]
    return [
        [detail.detail if at == 0 else "", ",  ".join(found[at : at + 8])] for at in range(0, len(found), 8)
    ]


def assumptions(report: DutyReport) -> list[str]:
    """What had to be assumed for this crane and this period."""
    crane, life = report.crane, report.life
    assumed_s = ms_to_s(sum(day.limit_assumed_ms for day in report.days))
    found = [
        f"limit_pct was not sent for {hours(assumed_s)} of the period: 100 was assumed, which is conservative for life."
        if assumed_s
        else "limit_pct was sent throughout the period, but for gaps of 10 s at most: nothing was assumed for it.",
        f"Safety factor f1 = {life.f1:.3g}: {life.f1_reason}.",
        *_history(crane, life),
        f"Special assessment: {life.special_assessment_reason}.",
    ]
    if life.used_share_unrecorded:
        found.append(
            "Time in use that is not on record (excluded, or told by two boxes or a wrong clock) is taken at the pace of the"
            " crane's 90th-percentile week, and excluded time never at less than it had counted unless its readings are false."
        )
    if crane.design is None:
        found.append("No design class is entered: there is no used share, and none is assumed.")
    outside = [report.spectrum.beyond, *(detail.beyond for detail in life.details)]
    found += dict.fromkeys(one.sentence for one in outside if one is not None)
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
    return [*found, blank_words(life.blank_years)] if life.blank_years else found


def limiter_rows(report: DutyReport) -> Pairs:
    """Near the limit, stops, overrides."""
    near_ms = sum(day.near_limit_ms for day in report.days)
    loaded_ms = sum(day.loaded_ms for day in report.days)
    share = near_ms / loaded_ms if loaded_ms else None
    return [
        (f"time under load: in a lift, or at or above {NEAR_LIMIT_PCT} %", hours(ms_to_s(loaded_ms))),
        (
            f"of it at or above {NEAR_LIMIT_PCT} %",
            f"{hours(ms_to_s(near_ms))}, {_percent(share)}",
        ),
        ("limiter stops", str(sum(day.limiter_stops for day in report.days))),
        ("limiter overrides", str(sum(day.limiter_overrides for day in report.days))),
        ("on the manual valves", hours(ms_to_s(sum(day.emergency_ms for day in report.days)))),
        (
            "lifts above 100 % structural, whole record",
            report_words(report.life.overloads, report.life.open_overloads),
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


def bars(values: Sequence[tuple[str, float]], *, logarithmic: bool = False) -> list[dict[str, Any]]:
    """Rows with a bar each, the longest BAR_MM."""
    sizes = [math.log10(1 + value) if logarithmic else value for _, value in values]
    longest = max(sizes, default=0.0) or 1.0
    return [
        {"label": label, "value": number(value), "width": round(BAR_MM * size / longest, 2)}
        for (label, value), size in zip(values, sizes, strict=True)
    ]


def number(value: float | None) -> str:
    """Three figures, or whole thousands; a dash for None."""
    if value is None:
        return "–"
    return f"{value:,.0f}" if abs(value) >= 1000 else f"{value:.3g}"


def _percent(share: float | None) -> str:
    return "–" if share is None else f"{100 * share:.3g} %"


def hours(seconds: float) -> str:
    """Hours out of seconds, with their unit."""
    return f"{s_to_h(seconds):,.1f} h"


def or_dash(value: object) -> str:
    """A value as text; a dash for None."""
    return "–" if value is None else str(value)


def _moment(moment: datetime | None, time_zone: str) -> str:
    return "–" if moment is None else f"{moment.astimezone(ZoneInfo(time_zone)):%Y-%m-%d %H:%M}"
