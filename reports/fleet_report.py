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
from words.texts import cautions

BAR_MM: Final = 40.0
METHOD: Final = (
    "Near the limit is utilisation, as the operator saw it, at or above the level named above; its share is of the time under load: in a lift, or at or above that level.",
    "The used share is that of the design working period over the whole record, in the manner of ISO 12482:2014, with the safety "
    "factor f1 by how the duty was recorded; a crane without a design class from its manual has none. Years before the record of which nothing is entered count 1.5 times.",
    "A special assessment is due on the earliest day by age, by use, of an entered day or for an entered condition; local rules decide.",
    "The forecast is the middle of its range: the duty report of a crane shows the range and what it rests on.",
    "Damage is a Miner sum of the default weld detail, carried over what was not counted as the used share is: it compares. Where a crane has no detail of its own, one is assumed for all alike.",
    "Days are local days of each crane's site. Days that were never recorded count as nothing: look at the hours recorded.",
)


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
        "title": f"Fleet report, {fleet.day_from} to {fleet.day_to}",
        "date": [at.year, at.month, at.day],
        "footer": f"Fleet report, counted up to {at:%Y-%m-%d %H:%M} UTC",
        "cautions": list(cautions("duty")),
        "totals": totals(report),
        "near_note": f"Worst share first. Near the limit: utilisation of {fleet.near_limit_from_pct:g} % or more. "
        "Before: the period of equal length before. * readings in doubt, see findings.",
        "near": [
            {"cells": near_cells(row, report.invented), "width": round(BAR_MM * (row.near_limit_pct or 0.0) / longest, 2)}
            for row in fleet.rows
        ],
        "life_note": "Largest used share first, cranes without a known one before all. A forecast compares, it does not predict. * readings in doubt, see findings.",
        "life": [life_cells(row, report.today) for row in sorted(fleet.rows, key=_by_use)],
        "faults": [
            [row.crane, row.code, f"{row.raised_at.astimezone(UTC):%Y-%m-%d %H:%M} UTC", str(row.raised_times),
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
        "method": list(METHOD),
    }  # fmt: skip


def totals(report: FleetReport) -> list[tuple[str, str]]:
    """The fleet as one."""
    rows = report.fleet.rows
    loaded, near = sum(row.loaded_s for row in rows), sum(row.near_limit_s for row in rows)
    share = f", {100 * near / loaded:.3g} %" if loaded else ""
    return [
        ("sites", "every site" if report.sites is None else ", ".join(report.sites) or "none"),
        ("cranes", f"{len(rows)}, with a record in the period {sum(row.recorded_s > 0 for row in rows)}"),
        ("lifts", f"{sum(row.lifts for row in rows)}"),
        ("time under load", hours(loaded)),
        ("of it near the limit", f"{hours(near)}{share}"),
        ("limiter stops, overrides", f"{sum(r.limiter_stops for r in rows)}, {sum(r.limiter_overrides for r in rows)}"),
        ("on the manual valves", hours(sum(row.emergency_s for row in rows))),
        ("faults raised, open now", f"{sum(row.faults for row in rows)}, {len(report.faults)}"),
        ("lifts above 100 % structural, whole record", overload_words(sum(r.overloads for r in rows), sum(r.open_overloads for r in rows))),
        ("special assessments overdue", str(sum(r.assessment_on is not None and r.assessment_on < report.today for r in rows))),
        ("cranes whose life before the record is not entered", str(sum(r.unknown_years > 0 for r in rows))),
        ("findings about readings", finding_words(report.findings)),
        ("messages set aside", f"{report.fleet.quarantined}: not counted until they are replayed"),
    ]  # fmt: skip


def near_cells(row: FleetRow, invented: frozenset[str]) -> list[str]:
    """One crane near the limit."""
    return [
        row.crane + (" (draft)" if row.draft else "") + (" *" if row.findings else ""),
        f"{row.type}{' (invented)' if row.type in invented else ''}, {row.site}",
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
    share = "not known" if row.used_share is None else f"{100 * row.used_share:.3g} %"
    unknown = f"{row.unknown_years:.1f} years" if row.unknown_years else "–"
    if row.used_share is not None and row.used_share_unknown:
        unknown += f": {100 * row.used_share_unknown:.3g} % assumed"
    detail = (row.damage_detail or "–") + (" (assumed)" if row.damage_assumed else "")
    if row.damage_beyond:
        detail += f"; too small, {row.damage_beyond:,} readings lie beyond the classes"
    return [
        row.crane + (" *" if row.findings else ""),
        share,
        unknown,
        or_dash(row.spent_on),
        *assessment_cells(row, today),
        number(row.damage) + (f" of {row.damage_allowed:g}" if row.damage_allowed else ""),
        detail,
        f"{s_to_h(row.recorded_s):,.1f}",
    ]


def assessment_cells(row: FleetRow, today: date) -> tuple[str, str]:
    """When the special assessment of a crane is due, how far off that is, and by which part of the rule."""
    if row.assessment_on is None:
        return "–", "–"
    left = (row.assessment_on - today).days
    state = f"in {left} days" if left > 0 else "due today" if left == 0 else "overdue"
    return f"{row.assessment_on}, {state}", f"{row.assessment_by}: {row.assessment_reason}"


def _by_use(row: FleetRow) -> tuple[float, str]:
    """A crane whose share is not known stands first: nothing says that it is unused."""
    return (-(row.used_share if row.used_share is not None else float("inf")), row.crane)
