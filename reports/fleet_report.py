"""The report of a fleet over a period as PDF/UA: the answers of the fleet and of open faults, in words and tables."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime
from typing import Any, Final

from domain.findings import FindingRow
from domain.fleet_answers import FleetAnswer, FleetRow
from domain.maintenance import OpenFaultRow
from domain.overload import OverloadRow
from domain.units import s_to_h
from reports.document import hours, number, or_dash, pdf
from reports.rows import finding_cells, finding_words, overload_cells, overload_words
from words.texts import cautions, t

BAR_MM: Final = 40.0
METHOD: Final = ("near_limit", "used_share", "assessment", "forecast", "damage", "days")


@dataclass(frozen=True, kw_only=True)
class FleetReport:
    """What a report is made of: answers of the api, and the newest instant up to which something was counted."""

    fleet: FleetAnswer
    faults: Sequence[OpenFaultRow]
    findings: Sequence[FindingRow]
    overloads: Sequence[OverloadRow]  # open ones
    sites: Sequence[str] | None  # None: every site
    today: date  # against which days are due
    invented: frozenset[str] = frozenset()  # names of types that are invented

    @property
    def counted_at(self) -> datetime:
        """The newest count; the end of the period where nothing was counted."""
        end = datetime.combine(self.fleet.day_to, datetime.min.time(), UTC)
        return max((row.counted_at for row in self.fleet.rows if row.counted_at), default=end)


def fleet_report_pdf(report: FleetReport) -> bytes:
    """The report as PDF/UA; the same answers give the same bytes. CPU work: run it in a thread."""
    return pdf("fleet_report", report_data(report), report.counted_at)


def report_data(report: FleetReport) -> dict[str, Any]:
    """Everything that the pages show."""
    fleet = report.fleet
    at = report.counted_at
    longest = max((row.near_limit_pct or 0.0 for row in fleet.rows), default=0.0) or 1.0
    return {
        "title": t("report.fleet_report_to", day_from=fleet.day_from, day_to=fleet.day_to),
        "date": [at.year, at.month, at.day],
        "footer": t("report.fleet_report_counted_up_to", at=f"{at:%Y-%m-%d %H:%M}"),
        "cautions": list(cautions("duty")),
        "totals": totals(report),
        "near_note": t("report.worst_share_first_near_the", near_limit_from_pct=fleet.near_limit_from_pct),
        "near": [
            {"cells": near_cells(row, report.invented), "width": round(BAR_MM * (row.near_limit_pct or 0.0) / longest, 2)}
            for row in fleet.rows
        ],
        "life_note": t("report.largest_used_share_first_cranes"),
        "life": [life_cells(row, report.today) for row in sorted(fleet.rows, key=_by_use)],
        "faults": [
            [row.crane, row.code, t("report.utc", at=f"{row.raised_at.astimezone(UTC):%Y-%m-%d %H:%M}"), str(row.raised_times),
             row.text, row.meaning or "–"]
            for row in report.faults
        ],
        "findings": [finding_cells(row) for row in report.findings],
        "overloads": [overload_cells(row) for row in report.overloads],
        "service": [
            [row.crane, str(row.service_due_on)]
            for row in sorted(fleet.rows, key=lambda one: (one.service_due_on or date.max, one.crane))
            if row.service_due_on is not None
        ],
        "method": [t(f"report.fleet_method.{name}") for name in METHOD],
    }  # fmt: skip


def totals(report: FleetReport) -> list[tuple[str, str]]:
    """The fleet as one."""
    rows = report.fleet.rows
    loaded, near = sum(row.loaded_s for row in rows), sum(row.near_limit_s for row in rows)
    share = f", {100 * near / loaded:.3g} %" if loaded else ""
    return [
        (t("report.sites"), t("report.every_site") if report.sites is None else ", ".join(report.sites) or t("report.none")),
        (t("report.cranes"), t("report.with_a_record_in_the", how_many=len(rows), recorded_s=sum(row.recorded_s > 0 for row in rows))),
        (t("report.lifts"), f"{sum(row.lifts for row in rows)}"),
        (t("report.time_under_load"), hours(loaded)),
        (t("report.of_it_near_the_limit"), f"{hours(near)}{share}"),
        (t("report.limiter_stops_overrides"), f"{sum(r.limiter_stops for r in rows)}, {sum(r.limiter_overrides for r in rows)}"),
        (t("report.on_the_manual_valves"), hours(sum(row.emergency_s for row in rows))),
        (t("report.faults_raised_open_now"), f"{sum(row.faults for row in rows)}, {len(report.faults)}"),
        (t("report.lifts_above_100_structural_whole"), overload_words(sum(r.overloads for r in rows), sum(r.open_overloads for r in rows))),
        (t("report.special_assessments_overdue"), str(sum(r.assessment_on is not None and r.assessment_on < report.today for r in rows))),
        (t("report.cranes_whose_life_before_the"), str(sum(r.unknown_years > 0 for r in rows))),
        (t("report.findings_about_readings"), finding_words(report.findings)),
        (t("report.messages_set_aside"), t("report.not_counted_until_they_are", quarantined=report.fleet.quarantined)),
    ]  # fmt: skip


def near_cells(row: FleetRow, invented: frozenset[str]) -> list[str]:
    """One crane near the limit."""
    return [
        row.crane + (t("report.draft") if row.draft else "") + (" *" if row.findings else ""),
        f"{row.type}{t('report.invented') if row.type in invented else ''}, {row.site}",
        str(row.lifts),
        f"{s_to_h(row.loaded_s):,.1f}",
        f"{s_to_h(row.near_limit_s):,.1f}",
        number(row.near_limit_pct),
        number(row.near_limit_pct_before),
        str(row.limiter_stops),
        str(row.limiter_overrides),
    ]


def life_cells(row: FleetRow, today: date) -> list[str]:
    """One crane's life."""
    share = t("report.not_known") if row.used_share is None else f"{100 * row.used_share:.3g} %"
    unknown = t("report.years", unknown_years=row.unknown_years) if row.unknown_years else "–"
    if row.used_share is not None and row.used_share_unknown:
        unknown += t("report.assumed_2", used_share_unknown=100 * row.used_share_unknown)
    detail = (row.damage_detail or "–") + (t("report.assumed") if row.damage_assumed else "")
    if row.damage_beyond:
        detail += t("report.too_small_readings_lie_beyond", damage_beyond=row.damage_beyond)
    return [
        row.crane + (" *" if row.findings else ""),
        share,
        unknown,
        or_dash(row.spent_on),
        *assessment_cells(row, today),
        number(row.damage)
        + (t("report.of_3", damage_allowed=row.damage_allowed) if row.damage_allowed else ""),
        detail,
        f"{s_to_h(row.recorded_s):,.1f}",
    ]


def assessment_cells(row: FleetRow, today: date) -> tuple[str, str]:
    """When the special assessment of a crane is due, how far off that is, and by which part of the rule."""
    if row.assessment_on is None:
        return "–", "–"
    left = (row.assessment_on - today).days
    state = (
        t("report.in_days", left=left)
        if left > 0
        else t("report.due_today")
        if left == 0
        else t("report.overdue")
    )
    return f"{row.assessment_on}, {state}", f"{row.assessment_by}: {row.assessment_reason}"


def _by_use(row: FleetRow) -> tuple[float, str]:
    """A crane whose share is not known stands first: nothing says that it is unused."""
    return (-(row.used_share if row.used_share is not None else float("inf")), row.crane)
