"""The pages of a dossier: everything on them comes from its JSON, put into rows and words for the layout."""

import hashlib
from typing import Any, Final
from zoneinfo import ZoneInfo

from domain.crane import Crane
from domain.dossier import Dossier
from domain.history import CounterKind, CounterSpanRow
from domain.life_answers import LifeAnswer
from domain.maintenance import GapRow
from domain.units import ms_to_s
from reports import rows
from reports.document import hours, number, or_dash, pdf, percent
from reports.dossier_figures import (
    Section,
    damage_section,
    day,
    duty_section,
    life_section,
    moment,
    section,
    spectrum_section,
    table,
    zone_of,
)
from reports.dossier_registers import (
    exclusion_section,
    finding_section,
    overload_annex,
    overload_section,
    record_section,
)
from words.dossier import UNVERIFIED

SIGNATURE: Final = ("name", "function", "qualification", "place", "date", "signature")
UNITS: Final = {CounterKind.OPERATING_HOURS: "h", CounterKind.LIFTS: "lifts"}
LONGEST_GAPS: Final = 10


def dossier_pdf(data: bytes) -> bytes:
    """A dossier as PDF/UA, from its JSON and nothing else: the same JSON gives the same bytes. CPU work: run it in a thread."""
    dossier = Dossier.model_validate_json(data)
    at = dossier.finished_at or dossier.method.counted_at or dossier.crane.registered_at
    return pdf("dossier", page_data(dossier, hashlib.sha256(data).hexdigest()), at)


def page_data(dossier: Dossier, sha256: str) -> dict[str, Any]:
    """Everything that the pages show. sha256: of the JSON."""
    crane, finished = dossier.crane, dossier.finished_at
    at = (finished or dossier.method.counted_at or crane.registered_at).astimezone(zone_of(dossier))
    title = f"Dossier for the special assessment: {crane.title or crane.name}"
    state, footer = _state(dossier, sha256)
    return {
        "title": title,
        "date": [at.year, at.month, at.day],
        "draft": finished is None,
        "state": state,
        "footer": footer,
        "cautions": list(dossier.cautions),
        "sections": [
            _unknown(dossier),
            _identity(dossier),
            _history(dossier),
            _coverage(dossier),
            duty_section(dossier),
            spectrum_section(dossier),
            life_section(dossier.life),
            damage_section(dossier),
            overload_section(dossier),
            finding_section(dossier),
            exclusion_section(dossier),
            record_section(dossier),
            _assessment(dossier),
            _changes(dossier),
            _method(dossier, sha256 if finished is not None else None),
        ],
        "signature": list(SIGNATURE),
        "annexes": overload_annex(dossier),
    }


def _state(dossier: Dossier, sha256: str) -> tuple[str, str]:
    """What kind of dossier it is, for its head and for the foot of each page."""
    name = dossier.crane.name
    if dossier.finished_at is None:
        state = f"DRAFT, not finished; counted up to {moment(dossier, dossier.method.counted_at)}."
        footer = f"{name}: DRAFT"
    else:
        when = moment(dossier, dossier.finished_at)
        state = (
            f"Dossier {dossier.number} of {name}, finished {when} by {dossier.finished_by}. {dossier.note}"
        )
        footer = f"{name}, dossier {dossier.number}, SHA-256 of its data {sha256[:16]}…"
    invented = " Invented crane: for demonstration only." if dossier.crane.type.invented else ""
    return state.rstrip() + invented, footer


def _unknown(dossier: Dossier) -> Section:
    return section(
        "What is not known",
        text=[
            "Read this before any figure. Where something is not known, the figures take the safe side, as said here."
        ]
        if dossier.unknown
        else [
            "Nothing of what is asked here is missing. That is no proof that entries and readings are right."
        ],
        bullets=list(dossier.unknown),
    )


def _identity(dossier: Dossier) -> Section:
    crane, kind = dossier.crane, dossier.crane.type
    now = dossier.descriptions[0] if dossier.descriptions else None
    attachments = "; ".join(f"{one.name} {one.mass_kg:g} kg" for one in now.attachments) if now else ""
    extensions = f"{len(kind.extensions)} extensions" + (", fly jib" if kind.jib else "")
    return section(
        "The crane",
        pairs=[
            *rows.crane_rows(crane),
            ("manufactured on", day(crane.manufactured_on)),
            ("site, time zone", f"{dossier.site.title or dossier.site.name}, {dossier.site.time_zone}"),
            ("booms", extensions),
            ("attachments as a rule", attachments or "none entered"),
            (
                "design years, from its manual",
                "not entered" if crane.design_years is None else f"{crane.design_years:g}",
            ),
        ],
    )


def _history(dossier: Dossier) -> Section:
    crane, life = dossier.crane, dossier.life
    prior = crane.prior_duty
    if prior is None:
        stated = "not entered"
    else:
        years = "all years before the record" if prior.years is None else f"{prior.years:.1f} years"
        stated = (
            f"{prior.lifts:,.0f} lifts at kQ {number(prior.kq)}, f1 = {prior.f1:g}, over {years}; "
            f"source: {prior.source or 'not given'}"
        )
    return section(
        "History",
        pairs=[
            (
                "unknown years before the record",
                f"{life.unknown_years:.1f}, counted from {day(life.prior_known_from)}",
            ),
            ("duty before the record, as stated", stated),
            ("recorded", f"{day(life.recorded_from)} to {day(life.recorded_to)}"),
            ("recorder runs, as stated", crane.recorder_runs.value.replace("_", " ")),
        ],
        tables=table(
            ("from", "type", "rating", "attachments, sensors, note"),
            (0, 0, 0, 1),
            [rows.description_row(one) for one in dossier.descriptions],
            "What the crane was like",
        ),
    )


def _coverage(dossier: Dossier) -> Section:
    found, life = dossier.coverage, dossier.life
    return section(
        "Evidence of the record",
        pairs=[
            ("safety factor f1 in force", f"{life.f1:.3g}: {life.f1_reason.text}"),
            ("coverage of the time in use", percent(life.coverage)),
            ("days with data, without", f"{found.days_recorded}, {found.days_without_record}"),
            ("recorded, missing", f"{hours(found.recorded_s)}, {hours(found.missing_s)}"),
        ],
        tables=[
            *table(
                ("month", "f1", "coverage", "why"),
                (0, 0, 0, 1),
                [
                    (f"{one.month:%Y-%m}", f"{one.f1:.3g}", percent(one.coverage), one.reason.text)
                    for one in life.f1_by_month
                ],
                "f1 by month",
            ),
            *table(
                ("counter", "after", "up to", "gained", "recorded", ""),
                (1, 0, 0, 0, 0, 1),
                map(_counter_row, dossier.counters.spans),
                "Counters of the crane against the record",
            ),
            *table(
                ("cause", "missing", "what to do"),
                (0, 0, 1),
                [(one.cause, hours(one.missing_s), one.what_to_do.text) for one in found.causes],
                "Time missing from the record by cause",
            ),
            *table(
                ("from", "to", "cause", "missing"),
                (0, 0, 1, 0),
                [_gap_row(one, zone_of(dossier)) for one in found.gaps[:LONGEST_GAPS]],
                f"The longest gaps, {LONGEST_GAPS} at most",
            ),
        ],
    )


def _counter_row(span: CounterSpanRow) -> list[str]:
    unit = UNITS[span.kind]
    return [
        span.kind.value.replace("_", " "),
        day(span.after),
        day(span.upto),
        f"{span.gained:,.1f} {unit}",
        f"{span.recorded:,.1f} {unit}",
        "agrees" if span.agrees else "gained more than was recorded",
    ]


def _gap_row(gap: GapRow, zone: ZoneInfo) -> list[str]:
    begin, end = (f"{at.astimezone(zone):%Y-%m-%d %H:%M}" for at in (gap.from_at, gap.to_at))
    return [begin, end, gap.cause, hours(ms_to_s(gap.missing_ms))]


def _assessment(dossier: Dossier) -> Section:
    crane, life = dossier.crane, dossier.life
    return section(
        "State of the assessment",
        pairs=[
            (
                "special assessment due on",
                f"{life.special_assessment_on}: {life.special_assessment_reason.text}",
            ),
            ("decided by", life.special_assessment_by),
            ("by age", day(life.special_assessment_by_calendar_on)),
            ("by use, early day", day(life.special_assessment_by_use_on)),
            ("by a day that was set", day(crane.assess_by)),
            ("by a condition", _condition(crane, life)),
            ("last special assessment", day(crane.assessed_on)),
            ("review at a used share of", percent(crane.review_at_share)),
        ],
    )


def _condition(crane: Crane, life: LifeAnswer) -> str:
    """The condition that decides, or that is entered of the crane; those of findings and cracks stand with their records."""
    if life.special_assessment_by == "condition":
        return life.special_assessment_reason.text
    return "none" if crane.assess_since is None else f"{crane.assess_because}, since {crane.assess_since}"


def _changes(dossier: Dossier) -> Section:
    since = dossier.since
    if since is None:
        return section(
            "What changed", text=["This is the first dossier of the crane: there is none to compare it with."]
        )
    kept = f"dossier {since.number}, finished {moment(dossier, since.finished_at)} by {since.finished_by}"
    return section(
        f"What changed since dossier {since.number}",
        text=[
            f"Compared with {kept}, SHA-256 of its data {since.data_sha256}."
            + ("" if dossier.changes else " No figure, entry or record differs.")
        ],
        tables=table(
            ("what", f"dossier {since.number}", "now"),
            (3, 2, 3),
            [(f"{one.part}, {one.what}", or_dash(one.before), or_dash(one.after)) for one in dossier.changes],
        ),
    )


def _method(dossier: Dossier, sha256: str | None) -> Section:
    method = dossier.method
    settings = dict(sorted(method.settings.items()))
    if method.finding_thresholds:
        settings["thresholds of findings"] = method.finding_thresholds
    return section(
        "Method, sources, versions",
        text=[UNVERIFIED],
        tables=[
            *table(
                ("rule", "as it is used here", "source"),
                (0, 1, 1),
                [
                    (one.rule, one.says, one.source + (" (unverified)" if one.unverified else ""))
                    for one in dossier.sources
                ],
            ),
            *table(
                ("setting", "value"),
                (0, 1),
                [(name.replace("_", " "), _setting(value)) for name, value in settings.items()],
            ),
        ],
        pairs=[
            ("program", f"Boomledger {method.program_version}"),
            ("version of the method", or_dash(method.method_version)),
            ("hash of method and settings", method.settings_hash or "–"),
            ("counted up to", moment(dossier, method.counted_at)),
            *([] if sha256 is None else [("SHA-256 of the data of this dossier", sha256)]),
        ],
    )


def _setting(value: Any) -> str:
    if isinstance(value, dict):
        return ", ".join(f"{name.replace('_', ' ')} {inner}" for name, inner in value.items())
    return str(value)
