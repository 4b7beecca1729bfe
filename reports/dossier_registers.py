"""Sections of a dossier with its registers: overloads, findings, excluded spans, records of its life."""

from collections import Counter
from typing import Final
from zoneinfo import ZoneInfo

from domain.dossier import Dossier
from domain.life_record import LifeRecordRow
from domain.overload import OverloadRow, OverloadState, peak_words
from reports import rows
from reports.dossier_figures import Section, section, table, zone_of
from words.texts import t

HIGHEST: Final = 10
OVERLOAD_HEAD: Final = ("lift", "peak", "load", "cause", "decision")
PEAK_STEP_PCT: Final = 5
OVERLOAD_WIDTHS: Final = (0, 0, 0, 1, 2)


def overload_section(dossier: Dossier) -> Section:
    """Lifts above 100 % structural: how many by their peak, and the highest."""
    entries, excluded = dossier.overloads, sum(one.withdrawn_at is None for one in dossier.exclusions)
    if not entries:
        return section(
            t("report.overload_register"),
            text=[t("report.no_lift_above_100_structural", excluded=excluded)],
        )
    highest = sorted(entries, key=lambda one: -one.peak_structural_pct)[:HIGHEST]
    steps = Counter(int(one.peak_structural_pct // PEAK_STEP_PCT) * PEAK_STEP_PCT for one in entries)
    waiting = Counter(
        int(one.peak_structural_pct // PEAK_STEP_PCT) * PEAK_STEP_PCT
        for one in entries
        if one.state is OverloadState.OPEN
    )
    return section(
        t("report.overload_register"),
        text=[t("report.lifts_whose_peak_is_above", excluded=excluded)],
        tables=[
            *table(
                (t("report.peak_structural_percent"), t("report.lifts"), t("report.without_a_decision")),
                (1, 1, 1),
                [
                    (
                        t("report.to_5", step=step, step_2=step + PEAK_STEP_PCT),
                        str(steps[step]),
                        str(waiting[step]),
                    )
                    for step in sorted(steps, reverse=True)
                ],
            ),
            *table(
                _head(),
                OVERLOAD_WIDTHS,
                [overload_row(one, zone_of(dossier)) for one in highest],
                t("report.the_highest", how_many=len(highest)),
            ),
        ],
    )


def _head() -> list[str]:
    return [t(f"report.overload_head.{name}") for name in OVERLOAD_HEAD]


def overload_annex(dossier: Dossier) -> list[Section]:
    """Every entry of the overload register; nothing where there is none."""
    if not dossier.overloads:
        return []
    lines = [overload_row(one, zone_of(dossier)) for one in dossier.overloads]
    text = t("report.all_newest_first_times_of", how_many=len(lines), time_zone=dossier.site.time_zone)
    return [
        section(t("report.overload_register"), text=[text], tables=table(_head(), OVERLOAD_WIDTHS, lines))
    ]


def overload_row(row: OverloadRow, zone: ZoneInfo) -> list[str]:
    """One entry of the register: lift, peaks, load, cause, decision. Peaks are rounded up, as in the duty report."""
    load = t("report.load_not_known") if row.mass_kg is None else f"{row.mass_kg:,.0f} kg"
    outreach = "" if row.peak_outreach_m is None else f", {row.peak_outreach_m:.1f} m"
    cause = (
        "–"
        if row.cause is None
        else f"{row.cause.value.replace('_', ' ')}{f': {row.note}' if row.note else ''}"
    )
    decided = [row.state.value.upper() if row.state is OverloadState.OPEN else ""]
    if row.decided is not None and row.decided_at is not None:
        at_peak = peak_words(row.decided_peak_structural_pct or 0.0)
        decided.append(
            t(
                "report.at",
                decided=row.decided,
                decided_by=row.decided_by,
                at=f"{row.decided_at.astimezone(zone):%Y-%m-%d}",
                at_peak=at_peak,
            )
        )
    if not row.counted:
        decided.append(t("report.no_longer_counted_2"))
    return [
        f"{row.started_at.astimezone(zone):%Y-%m-%d %H:%M:%S}",
        f"{peak_words(row.peak_structural_pct)}, {peak_words(row.peak_utilisation_pct)}",
        load + outreach,
        cause,
        "; ".join(word for word in decided if word),
    ]


def finding_section(dossier: Dossier) -> Section:
    """What is wrong with readings."""
    return section(
        t("report.findings_about_readings_2"),
        text=[] if dossier.findings else [t("report.none_that_is_no_proof")],
        tables=table(
            (t("report.finding"), t("report.days"), t("report.moves"), t("report.next_step")),
            (0, 0, 1, 2),
            [rows.finding_cells(one)[1:] for one in dossier.findings],
        ),
    )


def exclusion_section(dossier: Dossier) -> Section:
    """Spans that do not count."""
    return section(
        t("report.excluded_spans"),
        text=[t("report.readings_that_an_engineer_took")] if dossier.exclusions else [t("report.none_2")],
        tables=table(
            (t("report.span"), t("report.channel"), t("report.reason"), t("report.by")),
            (0, 0, 1, 0),
            [rows.exclusion_row(one, dossier.site.time_zone) for one in dossier.exclusions],
        ),
    )


def record_section(dossier: Dossier) -> Section:
    """What happened to the crane and what was done to it, each with its effect on the figures."""
    zone = zone_of(dossier)
    return section(
        t("report.records_of_its_life"),
        text=[] if dossier.records else [t("report.no_inspection_finding_repair_crack")],
        tables=[
            *table(
                (
                    t("report.day_2"),
                    t("report.record"),
                    t("report.what"),
                    t("report.by"),
                    t("report.effect_on_the_figures"),
                ),
                (0, 0, 3, 1, 2),
                [_record(one) for one in dossier.records],
            ),
            *table(
                (t("report.record"), t("report.file"), "SHA-256"),
                (0, 1, 0),
                [
                    (str(one.record_id), file.name, file.sha256)
                    for one in dossier.records
                    for file in one.files
                ],
                t("report.files_that_are_kept_with"),
            ),
            *table(
                (t("report.done"), t("report.service"), t("report.by"), t("report.note")),
                (0, 1, 0, 1),
                [
                    (f"{one.done_at.astimezone(zone):%Y-%m-%d}", one.plan, one.done_by, one.note or "–")
                    for one in dossier.services
                ],
                t("report.services_done"),
            ),
        ],
    )


def _record(row: LifeRecordRow) -> list[str]:
    number, day, kind, what, person, effect = rows.record_cells(row)
    return [day, f"{number}, {kind}", what or "–", person, effect]
