"""Sections of a dossier with its registers: overloads, findings, excluded spans, records of its life."""

from collections import Counter
from typing import Final
from zoneinfo import ZoneInfo

from domain.dossier import Dossier
from domain.life_record import LifeRecordRow
from domain.overload import OverloadRow, OverloadState
from reports import rows
from reports.dossier_figures import Section, section, table, zone_of
from words.remarks import listed

HIGHEST: Final = 10
PEAK_STEP_PCT: Final = 5
OVERLOAD_HEAD: Final = ("lift", "peak structural, utilisation", "load, outreach", "cause", "decision")
OVERLOAD_WIDTHS: Final = (0, 0, 0, 1, 2)
_EXCLUDED: Final = "spans excluded from the count, where none is found"


def overload_section(dossier: Dossier) -> Section:
    """Lifts above 100 % structural: how many by their peak, and the highest."""
    entries, excluded = dossier.overloads, sum(one.withdrawn_at is None for one in dossier.exclusions)
    if not entries:
        return section(
            "Overload register",
            text=[f"No lift above 100 % structural is counted. Spans excluded from the count: {excluded}."],
        )
    highest = sorted(entries, key=lambda one: -one.peak_structural_pct)[:HIGHEST]
    steps = Counter(int(one.peak_structural_pct // PEAK_STEP_PCT) * PEAK_STEP_PCT for one in entries)
    waiting = Counter(
        int(one.peak_structural_pct // PEAK_STEP_PCT) * PEAK_STEP_PCT
        for one in entries
        if one.state is OverloadState.OPEN
    )
    return section(
        "Overload register",
        text=[
            f"Lifts whose peak is above 100 % structural. Every entry stands in the annex; {_EXCLUDED}: {excluded}."
        ],
        tables=[
            *table(
                ("peak structural percent", "lifts", "without a decision"),
                (1, 1, 1),
                [
                    (f"{step} to {step + PEAK_STEP_PCT}", str(steps[step]), str(waiting[step]))
                    for step in sorted(steps, reverse=True)
                ],
            ),
            *table(
                OVERLOAD_HEAD,
                OVERLOAD_WIDTHS,
                [_overload(one, zone_of(dossier)) for one in highest],
                f"The {len(highest)} highest",
            ),
        ],
    )


def overload_annex(dossier: Dossier) -> list[Section]:
    """Every entry of the overload register; nothing where there is none."""
    if not dossier.overloads:
        return []
    lines = [_overload(one, zone_of(dossier)) for one in dossier.overloads]
    text = f"All {len(lines)}, newest first; times of {dossier.site.time_zone}. The trace of each lift is shown under Overloads."
    return [section("Overload register", text=[text], tables=table(OVERLOAD_HEAD, OVERLOAD_WIDTHS, lines))]


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
            f"{row.decided} ({row.decided_by}, {row.decided_at.astimezone(zone):%Y-%m-%d}, at {at_peak:.1f} %)"
        )
    if not row.counted:
        decided.append("no longer counted")
    return [
        f"{row.started_at.astimezone(zone):%Y-%m-%d %H:%M:%S}",
        f"{row.peak_structural_pct:.1f} %, {row.peak_utilisation_pct:.1f} %",
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
    """What happened to the crane and what was done to it, each with its effect on the figures."""
    zone = zone_of(dossier)
    return section(
        "Records of its life",
        text=[]
        if dossier.records
        else ["No inspection, finding, repair, crack, calibration or changed detail is entered."],
        tables=[
            *table(
                ("day", "record", "what", "by", "effect on the figures"),
                (0, 0, 3, 1, 2),
                [_record(one) for one in dossier.records],
            ),
            *table(
                ("record", "file", "SHA-256"),
                (0, 1, 0),
                [
                    (str(one.record_id), file.name, file.sha256)
                    for one in dossier.records
                    for file in one.files
                ],
                "Files that are kept with the records",
            ),
            *table(
                ("done", "service", "by", "note"),
                (0, 1, 0, 1),
                [
                    (f"{one.done_at.astimezone(zone):%Y-%m-%d}", one.plan, one.done_by, one.note or "–")
                    for one in dossier.services
                ],
                "Services done",
            ),
        ],
    )


def _record(row: LifeRecordRow) -> list[str]:
    found = "" if row.found_error_pct is None else f"found {row.found_error_pct:+g} % off, "
    left = "" if row.left_error_pct is None else f"{found}left within {row.left_error_pct:g} %"
    what = (
        row.detail,
        "" if row.length_mm is None else f"{row.length_mm:g} mm",
        row.channel,
        left,
        row.service_interval,
        "" if row.found_in is None else f"found in record {row.found_in}",
        row.note,
        "" if row.version == 1 or row.withdrawn else f"corrected: {row.reason}",
        f"WITHDRAWN: {row.reason}" if row.withdrawn else "",
    )
    return [
        row.happened_on.isoformat(),
        f"{row.record_id}, {row.kind.value.replace('_', ' ')}",
        "; ".join(word for word in what if word) or "–",
        row.person,
        listed(row.effect_remarks),
    ]
