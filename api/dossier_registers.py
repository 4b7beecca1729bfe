"""Sections of a dossier with its registers: overloads, findings, excluded spans, records of its life."""

from zoneinfo import ZoneInfo

from api import duty_report as rows
from api.dossier_figures import Section, section, table, zone_of
from domain.dossier import Dossier
from domain.overload import OverloadRow, OverloadState


def overload_section(dossier: Dossier) -> Section:
    """Lifts above 100 % structural with what was decided."""
    zone = zone_of(dossier)
    excluded = sum(one.withdrawn_at is None for one in dossier.exclusions)
    return section(
        "Overload register",
        text=[
            "Lifts whose peak is above 100 % structural, newest first."
            if dossier.overloads
            else "No lift above 100 % structural is counted.",
            f"Spans excluded from the count, where none is found: {excluded}.",
        ],
        tables=table(
            ("lift", "peak structural, utilisation", "load, outreach", "cause", "decision"),
            (0, 0, 0, 1, 2),
            [_overload(one, zone) for one in dossier.overloads],
        ),
    )


def _overload(row: OverloadRow, zone: ZoneInfo) -> list[str]:
    load = "load not known" if row.mass_kg is None else f"{row.mass_kg:,.0f} kg"
    outreach = "" if row.peak_outreach_m is None else f", {row.peak_outreach_m:.1f} m"
    cause = (
        "–"
        if row.cause is None
        else f"{row.cause.value.replace('_', ' ')}{f': {row.note}' if row.note else ''}"
    )
    decided = [row.state.value.upper() if row.state is OverloadState.OPEN else ""]
    if row.decided is not None and row.decided_at is not None:
        at_peak = row.decided_peak_structural_pct or 0.0
        decided.append(
            f"{row.decided} ({row.decided_by}, {row.decided_at.astimezone(zone):%Y-%m-%d}, at {at_peak:.0f} %)"
        )
    if not row.counted:
        decided.append("no longer counted")
    return [
        f"{row.started_at.astimezone(zone):%Y-%m-%d %H:%M:%S}",
        f"{row.peak_structural_pct:.0f} %, {row.peak_utilisation_pct:.0f} %",
        load + outreach,
        cause,
        "; ".join(word for word in decided if word),
    ]


def finding_section(dossier: Dossier) -> Section:
    """What is wrong with readings."""
    return section(
        "Findings about readings",
        text=[] if dossier.findings else ["None. That is no proof that readings are right."],
        tables=table(
            ("finding", "days", "moves", "next step"),
            (0, 0, 1, 2),
            [rows.finding_cells(one)[1:] for one in dossier.findings],
        ),
    )


def exclusion_section(dossier: Dossier) -> Section:
    """Spans that do not count."""
    return section(
        "Excluded spans",
        text=["Readings that an engineer took out of the count, withdrawn ones included."]
        if dossier.exclusions
        else ["None."],
        tables=table(
            ("span", "channel", "reason", "by"),
            (0, 0, 1, 0),
            [rows.exclusion_row(one, dossier.site.time_zone) for one in dossier.exclusions],
        ),
    )


def record_section(dossier: Dossier) -> Section:
    """What was done to the crane."""
    zone = zone_of(dossier)
    return section(
        "Records of its life",
        text=[] if dossier.services else ["No service done is entered."],
        tables=table(
            ("done", "service", "by", "note"),
            (0, 1, 0, 1),
            [
                (f"{one.done_at.astimezone(zone):%Y-%m-%d}", one.plan, one.done_by, one.note or "–")
                for one in dossier.services
            ],
            "Services done",
        ),
    )
