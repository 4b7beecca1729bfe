"""The pages of a dossier: everything on them comes from its JSON, put into rows and words for the layout."""

import hashlib
from typing import Any, Final
from zoneinfo import ZoneInfo

from domain.crane import Crane
from domain.dossier import Dossier
from domain.history import CounterSpanRow
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
from words.texts import t

SIGNATURE: Final = ("name", "function", "qualification", "place", "date", "signature")
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
    title = t("report.dossier_for_the_special_assessment", title=crane.title or crane.name)
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
        "signature": [t(f"report.sign.{name}") for name in SIGNATURE],
        "annexes": overload_annex(dossier),
    }


def _state(dossier: Dossier, sha256: str) -> tuple[str, str]:
    """What kind of dossier it is, for its head and for the foot of each page."""
    name = dossier.crane.name
    if dossier.finished_at is None:
        state = t("report.draft_not_finished_counted_up", dossier=moment(dossier, dossier.method.counted_at))
        footer = t("report.draft_2", name=name)
    else:
        when = moment(dossier, dossier.finished_at)
        state = t(
            "report.dossier_of_finished_by",
            number=dossier.number,
            name=name,
            when=when,
            finished_by=dossier.finished_by,
            note=dossier.note,
        )
        footer = t("report.dossier_sha_256_of_its", name=name, number=dossier.number, sha256=sha256[:16])
    invented = t("report.invented_crane_for_demonstration_only") if dossier.crane.type.invented else ""
    return state.rstrip() + invented, footer


def _unknown(dossier: Dossier) -> Section:
    return section(
        t("report.what_is_not_known"),
        text=[t("report.read_this_before_any_figure")]
        if dossier.unknown
        else [t("report.nothing_of_what_is_asked")],
        bullets=list(dossier.unknown),
    )


def _identity(dossier: Dossier) -> Section:
    crane, kind = dossier.crane, dossier.crane.type
    now = dossier.descriptions[0] if dossier.descriptions else None
    attachments = "; ".join(f"{one.name} {one.mass_kg:g} kg" for one in now.attachments) if now else ""
    extensions = t("report.extensions", how_many=len(kind.extensions)) + (
        t("report.fly_jib_2") if kind.jib else ""
    )
    return section(
        t("report.the_crane"),
        pairs=[
            *rows.crane_rows(crane),
            (t("report.manufactured_on"), day(crane.manufactured_on)),
            (
                t("report.site_time_zone"),
                f"{dossier.site.title or dossier.site.name}, {dossier.site.time_zone}",
            ),
            (t("report.booms"), extensions),
            (t("report.attachments_as_a_rule"), attachments or t("report.none_entered")),
            (
                t("report.design_years_from_its_manual"),
                t("report.not_entered") if crane.design_years is None else f"{crane.design_years:g}",
            ),
        ],
    )


def _history(dossier: Dossier) -> Section:
    crane, life = dossier.crane, dossier.life
    prior = crane.prior_duty
    if prior is None:
        stated = t("report.not_entered")
    else:
        years = (
            t("report.all_years_before_the_record")
            if prior.years is None
            else t("report.years_2", years=prior.years)
        )
        stated = t(
            "report.lifts_at_kq_f1_over",
            lifts=prior.lifts,
            kq=number(prior.kq),
            f1=prior.f1,
            years=years,
            source=prior.source or t("report.not_given"),
        )
    return section(
        t("report.history"),
        pairs=[
            (
                t("report.unknown_years_before_the_record"),
                t(
                    "report.counted_from",
                    unknown_years=life.unknown_years,
                    prior_known_from=day(life.prior_known_from),
                ),
            ),
            (t("report.duty_before_the_record_as"), stated),
            (
                t("report.recorded"),
                t("report.to_9", recorded_from=day(life.recorded_from), recorded_to=day(life.recorded_to)),
            ),
            (t("report.recorder_runs_as_stated"), crane.recorder_runs.value.replace("_", " ")),
        ],
        tables=table(
            (t("report.from"), t("report.type"), t("report.rating"), t("report.attachments_sensors_note")),
            (0, 0, 0, 1),
            [rows.description_row(one) for one in dossier.descriptions],
            t("report.what_the_crane_was_like"),
        ),
    )


def _coverage(dossier: Dossier) -> Section:
    found, life = dossier.coverage, dossier.life
    return section(
        t("report.evidence_of_the_record"),
        pairs=[
            (t("report.safety_factor_f1_in_force"), f"{life.f1:.3g}: {life.f1_reason.text}"),
            (t("report.coverage_of_the_time_in"), percent(life.coverage)),
            (t("report.days_with_data_without"), f"{found.days_recorded}, {found.days_without_record}"),
            (t("report.recorded_missing"), f"{hours(found.recorded_s)}, {hours(found.missing_s)}"),
        ],
        tables=[
            *table(
                (t("report.month"), "f1", t("report.coverage"), t("report.why")),
                (0, 0, 0, 1),
                [
                    (f"{one.month:%Y-%m}", f"{one.f1:.3g}", percent(one.coverage), one.reason.text)
                    for one in life.f1_by_month
                ],
                t("report.f1_by_month"),
            ),
            *table(
                (
                    t("report.counter"),
                    t("report.after"),
                    t("report.up_to"),
                    t("report.gained"),
                    t("report.recorded"),
                    "",
                ),
                (1, 0, 0, 0, 0, 1),
                map(_counter_row, dossier.counters.spans),
                t("report.counters_of_the_crane_against"),
            ),
            *table(
                (t("report.cause"), t("report.missing"), t("report.what_to_do")),
                (0, 0, 1),
                [(one.cause, hours(one.missing_s), one.what_to_do.text) for one in found.causes],
                t("report.time_missing_from_the_record"),
            ),
            *table(
                (t("report.from"), t("report.to_8"), t("report.cause"), t("report.missing")),
                (0, 0, 1, 0),
                [_gap_row(one, zone_of(dossier)) for one in found.gaps[:LONGEST_GAPS]],
                t("report.the_longest_gaps_at_most", longest_gaps=LONGEST_GAPS),
            ),
        ],
    )


def _counter_row(span: CounterSpanRow) -> list[str]:
    unit = t(f"report.unit.{span.kind}")
    return [
        span.kind.value.replace("_", " "),
        day(span.after),
        day(span.upto),
        f"{span.gained:,.1f} {unit}",
        f"{span.recorded:,.1f} {unit}",
        t("report.agrees") if span.agrees else t("report.gained_more_than_was_recorded"),
    ]


def _gap_row(gap: GapRow, zone: ZoneInfo) -> list[str]:
    begin, end = (f"{at.astimezone(zone):%Y-%m-%d %H:%M}" for at in (gap.from_at, gap.to_at))
    return [begin, end, gap.cause, hours(ms_to_s(gap.missing_ms))]


def _assessment(dossier: Dossier) -> Section:
    crane, life = dossier.crane, dossier.life
    return section(
        t("report.state_of_the_assessment"),
        pairs=[
            (
                t("report.special_assessment_due_on"),
                f"{life.special_assessment_on}: {life.special_assessment_reason.text}",
            ),
            (t("report.decided_by"), life.special_assessment_by),
            (t("report.by_age"), day(life.special_assessment_by_calendar_on)),
            (t("report.by_use_early_day"), day(life.special_assessment_by_use_on)),
            (t("report.by_a_day_that_was"), day(crane.assess_by)),
            (t("report.by_a_condition"), _condition(crane, life)),
            (t("report.last_special_assessment"), day(crane.assessed_on)),
            (t("report.review_at_a_used_share"), percent(crane.review_at_share)),
        ],
    )


def _condition(crane: Crane, life: LifeAnswer) -> str:
    """The condition that decides, or that is entered of the crane; those of findings and cracks stand with their records."""
    if life.special_assessment_by == "condition":
        return life.special_assessment_reason.text
    return (
        t("report.none")
        if crane.assess_since is None
        else t("report.since", assess_because=crane.assess_because, assess_since=crane.assess_since)
    )


def _changes(dossier: Dossier) -> Section:
    since = dossier.since
    if since is None:
        return section(t("report.what_changed"), text=[t("report.this_is_the_first_dossier")])
    kept = t(
        "report.dossier_finished_by",
        number=since.number,
        dossier=moment(dossier, since.finished_at),
        finished_by=since.finished_by,
    )
    return section(
        t("report.what_changed_since_dossier", number=since.number),
        text=[
            t("report.compared_with_sha_256_of", kept=kept, data_sha256=since.data_sha256)
            + ("" if dossier.changes else t("report.no_figure_entry_or_record"))
        ],
        tables=table(
            (t("report.what"), f"dossier {since.number}", t("report.now")),
            (3, 2, 3),
            [(f"{one.part}, {one.what}", or_dash(one.before), or_dash(one.after)) for one in dossier.changes],
        ),
    )


def _method(dossier: Dossier, sha256: str | None) -> Section:
    method = dossier.method
    settings = dict(sorted(method.settings.items()))
    if method.finding_thresholds:
        settings[t("report.finding_thresholds")] = method.finding_thresholds
    return section(
        t("report.method_sources_versions"),
        text=[t("method.unverified")],
        tables=[
            *table(
                (t("report.rule"), t("report.as_it_is_used_here"), t("report.source")),
                (0, 1, 1),
                [
                    (one.rule, one.says, one.source + (t("report.unverified") if one.unverified else ""))
                    for one in dossier.sources
                ],
            ),
            *table(
                (t("report.setting"), t("report.value")),
                (0, 1),
                [(name.replace("_", " "), _setting(value)) for name, value in settings.items()],
            ),
        ],
        pairs=[
            (t("report.program"), f"Boomledger {method.program_version}"),
            (t("report.version_of_the_method"), or_dash(method.method_version)),
            (t("report.hash_of_method_and_settings"), method.settings_hash or "–"),
            (t("report.counted_up_to_2"), moment(dossier, method.counted_at)),
            *([] if sha256 is None else [(t("report.sha_256_of_the_data"), sha256)]),
        ],
    )


def _setting(value: Any) -> str:
    if isinstance(value, dict):
        return ", ".join(f"{name.replace('_', ' ')} {inner}" for name, inner in value.items())
    return str(value)
