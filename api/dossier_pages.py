"""The pages of a dossier: everything on them comes from its JSON, put into rows and words for the layout."""

import hashlib
from collections.abc import Iterable, Sequence
from datetime import date, datetime
from typing import Any, Final
from zoneinfo import ZoneInfo

from api import duty_report as rows
from api.dossier_drawing import spectrum_drawing
from api.dossier_words import INFLUENCES, UNVERIFIED
from api.typesetting import pdf
from domain.counter import CounterKind
from domain.description import BEGINNING
from domain.dossier import Dossier
from domain.life_answers import LifeAnswer, UnsureFigure
from duty.levels import NEAR_LIMIT_PCT

Section = dict[str, Any]
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
    at = (finished or dossier.method.counted_at or crane.registered_at).astimezone(_zone(dossier))
    title = f"Dossier for the special assessment: {crane.title or crane.name}"
    if finished is None:
        state = f"DRAFT, not finished; counted up to {_moment(dossier, dossier.method.counted_at)}."
        footer = f"{crane.name}: DRAFT"
    else:
        state = (
            f"Dossier {dossier.number} of {crane.name}, finished {_moment(dossier, finished)} by {dossier.finished_by}."
            + (f" {dossier.note}" if dossier.note else "")
        )
        footer = f"{crane.name}, dossier {dossier.number}, SHA-256 of its data {sha256[:16]}…"
    return {
        "title": title,
        "date": [at.year, at.month, at.day],
        "draft": finished is None,
        "state": state + (" Invented crane: for demonstration only." if crane.type.invented else ""),
        "footer": footer,
        "cautions": list(dossier.cautions),
        "sections": [
            _unknown(dossier),
            _identity(dossier),
            _history(dossier),
            _coverage(dossier),
            _duty(dossier),
            _spectrum(dossier),
            _life(dossier.life),
            _damage(dossier),
            _findings(dossier),
            _exclusions(dossier),
            _services(dossier),
            _assessment(dossier),
            _changes(dossier),
            _method(dossier, sha256 if finished is not None else None),
        ],
        "signature": list(SIGNATURE),
    }


def _section(title: str, **parts: Any) -> Section:
    blank: Section = {
        "text": [],
        "bullets": [],
        "pairs": [],
        "tables": [],
        "bars": [],
        "drawing": None,
    }
    return {"title": title, **blank, **parts}


def _table(
    head: Sequence[str], widths: Sequence[int], lines: Iterable[Sequence[str]], title: str = ""
) -> list[dict[str, Any]]:
    """A table, or none where it has no line. widths: parts of what is left over; 0 for as wide as the text."""
    found = [list(line) for line in lines]
    return [{"title": title, "head": list(head), "widths": list(widths), "rows": found}] if found else []


def _unknown(dossier: Dossier) -> Section:
    return _section(
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
    return _section(
        "The crane",
        pairs=[
            *rows.crane_rows(crane),
            ("manufactured on", _day(crane.manufactured_on)),
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
        years = "all years before the record" if prior.years is None else f"{prior.years:g} years"
        stated = (
            f"{prior.lifts:,.0f} lifts at kQ {rows.number(prior.kq)}, f1 = {prior.f1:g}, over {years}; "
            f"source: {prior.source or 'not given'}"
        )
    return _section(
        "History",
        pairs=[
            (
                "unknown years before the record",
                f"{life.unknown_years:.1f}, counted from {_day(life.prior_known_from)}",
            ),
            ("duty before the record, as stated", stated),
            ("recorded", f"{_day(life.recorded_from)} to {_day(life.recorded_to)}"),
            ("recorder runs, as stated", crane.recorder_runs.value.replace("_", " ")),
        ],
        tables=_table(
            ("from", "type", "rating", "attachments, sensors, note"),
            (0, 0, 0, 1),
            [rows.description_row(one) for one in dossier.descriptions],
            "What the crane was like",
        ),
    )


def _coverage(dossier: Dossier) -> Section:
    found, life, zone = dossier.coverage, dossier.life, _zone(dossier)
    return _section(
        "Evidence of the record",
        pairs=[
            ("safety factor f1 in force", f"{life.f1:.3g}: {life.f1_reason}"),
            ("coverage of the time in use", _percent(life.coverage)),
            ("days with data, without", f"{found.days_recorded}, {found.days_without_record}"),
            ("recorded, missing", f"{rows.hours(found.recorded_s)}, {rows.hours(found.missing_s)}"),
        ],
        tables=[
            *_table(
                ("month", "f1", "coverage", "why"),
                (0, 0, 0, 1),
                [
                    (f"{one.month:%Y-%m}", f"{one.f1:.3g}", _percent(one.coverage), one.reason)
                    for one in life.f1_by_month
                ],
                "f1 by month",
            ),
            *_table(
                ("counter", "after", "up to", "gained", "recorded", ""),
                (1, 0, 0, 0, 0, 1),
                [
                    (
                        one.kind.value.replace("_", " "),
                        _day(one.after),
                        _day(one.upto),
                        f"{one.gained:,.1f} {UNITS[one.kind]}",
                        f"{one.recorded:,.1f} {UNITS[one.kind]}",
                        "agrees" if one.agrees else "gained more than was recorded",
                    )
                    for one in dossier.counters.spans
                ],
                "Counters of the crane against the record",
            ),
            *_table(
                ("cause", "missing", "what to do"),
                (0, 0, 1),
                [(one.cause, rows.hours(one.missing_s), one.what_to_do) for one in found.causes],
                "Time missing from the record by cause",
            ),
            *_table(
                ("from", "to", "cause", "missing"),
                (0, 0, 1, 0),
                [
                    (
                        f"{one.from_at.astimezone(zone):%Y-%m-%d %H:%M}",
                        f"{one.to_at.astimezone(zone):%Y-%m-%d %H:%M}",
                        one.cause,
                        rows.hours(one.missing_ms / 1000),
                    )
                    for one in found.gaps[:LONGEST_GAPS]
                ],
                f"The longest gaps, {LONGEST_GAPS} at most",
            ),
        ],
    )


def _duty(dossier: Dossier) -> Section:
    duty, spectrum = dossier.duty, dossier.spectrum
    share = duty.near_limit_s / duty.loaded_s if duty.loaded_s else None
    return _section(
        "Duty of the whole record",
        pairs=[
            ("lifts", f"{duty.lifts:,}"),
            ("recorded, at work", f"{rows.hours(duty.recorded_s)}, {rows.hours(duty.working_s)}"),
            (f"time under load: in a lift, or at or above {NEAR_LIMIT_PCT} %", rows.hours(duty.loaded_s)),
            (f"of it at or above {NEAR_LIMIT_PCT} %", f"{rows.hours(duty.near_limit_s)}, {_percent(share)}"),
            ("lifts near the limit", f"{duty.near_limit_lifts:,}"),
            ("limiter stops, overrides", f"{duty.limiter_stops:,}, {duty.limiter_overrides:,}"),
            ("on the manual valves", rows.hours(duty.emergency_s)),
            ("spikes", rows.spike_words(spectrum)),
            ("utilisation below 0", rows.hours(spectrum.below_zero_s)),
        ],
    )


def _spectrum(dossier: Dossier) -> Section:
    spectrum = dossier.spectrum
    return _section(
        "Load spectrum against the design, and classes",
        drawing=spectrum_drawing(spectrum),
        pairs=rows.use_rows(spectrum),
        bars=rows.bars(
            [(f"{one.low_pct:g} to {one.high_pct:g}", one.cycles) for one in reversed(spectrum.ranges)],
            logarithmic=True,
        ),
    )


def _life(life: LifeAnswer) -> Section:
    return _section(
        "Share of the design working period",
        pairs=rows.life_rows(life),
        tables=_influences(
            "What makes the used share unsure, weightiest first", life.used_share_unsure, share=True
        ),
    )


def _influences(title: str, found: UnsureFigure | None, *, share: bool) -> list[dict[str, Any]]:
    if found is None:
        return []
    shown = _percent if share else rows.number
    return _table(
        ("influence", "low", "high", "by"),
        (1, 0, 0, 1),
        [
            ("all together", shown(found.low), shown(found.high), ""),
            *(
                (
                    INFLUENCES.get(one.source, one.source.replace("_", " ")),
                    shown(one.low),
                    shown(one.high),
                    "a default or an assumption" if one.assumed else "an entry or a count",
                )
                for one in found.influences
            ),
        ],
        title,
    )


def _damage(dossier: Dossier) -> Section:
    details = dossier.life.details
    entered = [
        (
            one.name + (" (default)" if one.is_default else ""),
            f"{one.spec.mpa_per_pct:g} MPa per %, {one.spec.curve} {one.spec.reference_mpa:g} MPa",
            one.spec.source or "–",
            f"{one.entered_by}, {one.entered_at.astimezone(_zone(dossier)):%Y-%m-%d}",
        )
        for one in dossier.details
    ]
    return _section(
        "Damage by weld detail and direction",
        text=[
            "Miner sums compare, they do not predict. The last range divides the sum by those at which failures were quoted "
            "(0.33 to 3, unverified); the 80 % range is how sure the sum itself is."
        ],
        tables=[
            *_table(
                (
                    "detail",
                    "damage, allowed sum",
                    "80 % range",
                    "over sums at failure",
                    "curve, factor, direction",
                ),
                (1, 0, 0, 0, 2),
                [
                    (
                        cells[0] + (" (assumed)" if detail.assumed else ""),
                        cells[1],
                        "–"
                        if detail.unsure is None
                        else f"{rows.number(detail.unsure.low)} to {rows.number(detail.unsure.high)}",
                        cells[2],
                        f"{cells[4]}; equivalent range {cells[3]}",
                    )
                    for detail in details
                    for cells in [rows.detail_row(detail)]
                ],
            ),
            *(
                table
                for detail in details
                for table in _influences(f"What makes it unsure: {detail.detail}", detail.unsure, share=False)
            ),
            *_table(
                ("detail", "direction around the base and damage"),
                (0, 1),
                [line for detail in details for line in rows.direction_rows(detail)],
                "Around the base: 0° towards the cab, clockwise from above; 180° and more mirror these",
            ),
            *_table(
                ("detail", "stress and curve", "source of the curve", "entered by"),
                (0, 1, 1, 0),
                entered,
                "Weld details as entered",
            ),
        ],
    )


def _findings(dossier: Dossier) -> Section:
    return _section(
        "Findings about readings",
        text=[] if dossier.findings else ["None. That is no proof that readings are right."],
        tables=_table(
            ("finding", "days", "moves", "next step"),
            (0, 0, 1, 2),
            [rows.finding_cells(one)[1:] for one in dossier.findings],
        ),
    )


def _exclusions(dossier: Dossier) -> Section:
    return _section(
        "Excluded spans",
        text=["Readings that an engineer took out of the count, withdrawn ones included."]
        if dossier.exclusions
        else ["None."],
        tables=_table(
            ("span", "channel", "reason", "by"),
            (0, 0, 1, 0),
            [rows.exclusion_row(one, dossier.site.time_zone) for one in dossier.exclusions],
        ),
    )


def _services(dossier: Dossier) -> Section:
    zone = _zone(dossier)
    return _section(
        "Records of its life",
        text=[] if dossier.services else ["No service done is entered."],
        tables=_table(
            ("done", "service", "by", "note"),
            (0, 1, 0, 1),
            [
                (f"{one.done_at.astimezone(zone):%Y-%m-%d}", one.plan, one.done_by, one.note or "–")
                for one in dossier.services
            ],
            "Services done",
        ),
    )


def _assessment(dossier: Dossier) -> Section:
    crane, life = dossier.crane, dossier.life
    return _section(
        "State of the assessment",
        pairs=[
            ("special assessment due on", f"{life.special_assessment_on}: {life.special_assessment_reason}"),
            ("decided by", life.special_assessment_by),
            ("by age", _day(life.special_assessment_by_calendar_on)),
            ("by use, early day", _day(life.special_assessment_by_use_on)),
            ("by a day that was set", _day(crane.assess_by)),
            (
                "by a condition",
                "none entered"
                if crane.assess_since is None
                else f"{crane.assess_because}, since {crane.assess_since}",
            ),
            ("last special assessment", _day(crane.assessed_on)),
            ("review at a used share of", _percent(crane.review_at_share)),
        ],
    )


def _changes(dossier: Dossier) -> Section:
    since = dossier.since
    if since is None:
        return _section(
            "What changed", text=["This is the first dossier of the crane: there is none to compare it with."]
        )
    kept = f"dossier {since.number}, finished {_moment(dossier, since.finished_at)} by {since.finished_by}"
    return _section(
        f"What changed since dossier {since.number}",
        text=[
            f"Compared with {kept}, SHA-256 of its data {since.data_sha256}."
            + ("" if dossier.changes else " No figure, entry or record differs.")
        ],
        tables=_table(
            ("what", f"dossier {since.number}", "now"),
            (2, 1, 1),
            [
                (f"{one.part}, {one.what}", rows.or_dash(one.before), rows.or_dash(one.after))
                for one in dossier.changes
            ],
        ),
    )


def _method(dossier: Dossier, sha256: str | None) -> Section:
    method = dossier.method
    return _section(
        "Method, sources, versions",
        text=[UNVERIFIED],
        tables=[
            *_table(
                ("rule", "as it is used here", "source"),
                (0, 1, 1),
                [
                    (one.rule, one.says, one.source + (" (unverified)" if one.unverified else ""))
                    for one in dossier.sources
                ],
            ),
            *_table(
                ("setting of the count", "value"),
                (0, 1),
                [
                    (name.replace("_", " "), _setting(value))
                    for name, value in sorted(method.settings.items())
                ],
            ),
        ],
        pairs=[
            ("program", f"Boomledger {method.program_version}"),
            ("version of the method", rows.or_dash(method.method_version)),
            ("hash of method and settings", method.settings_hash or "–"),
            ("counted up to", _moment(dossier, method.counted_at)),
            *([] if sha256 is None else [("SHA-256 of the data of this dossier", sha256)]),
        ],
    )


def _setting(value: Any) -> str:
    if isinstance(value, dict):
        return ", ".join(f"{name.replace('_', ' ')} {inner}" for name, inner in value.items())
    return str(value)


def _zone(dossier: Dossier) -> ZoneInfo:
    return ZoneInfo(dossier.site.time_zone)


def _moment(dossier: Dossier, moment: datetime | None) -> str:
    if moment is None:
        return "–"
    return f"{moment.astimezone(_zone(dossier)):%Y-%m-%d %H:%M} {dossier.site.time_zone}"


def _day(day: date | None) -> str:
    return "–" if day is None or day <= BEGINNING else day.isoformat()


def _percent(share: float | None) -> str:
    return "–" if share is None else f"{100 * share:.3g} %"
