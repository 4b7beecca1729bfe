"""Life of one crane: how much of the design working period is used, when it will be spent, where damage comes from."""

from typing import Any
from zoneinfo import ZoneInfo

from dash import Dash, html

from dashboard.client import Client
from dashboard.pages.life import counters as life_counters
from dashboard.pages.life import damage as life_damage
from dashboard.pages.life import details as life_details
from dashboard.pages.life import forecast as life_forecast
from dashboard.pages.life import records as life_records
from dashboard.pages.life import uncertainty as life_uncertainty
from dashboard.pages.life.list import render_list as render_list
from dashboard.pages.overloads import page as overloads
from dashboard.parts import charts, findings, marks, page
from dashboard.visit import UTC_ZONE, Trouble, Visit, together
from domain import attention
from domain.life_answers import FactorsAnswer, LifeAnswer
from domain.overload import OverloadState
from words import numbers, remarks
from words.texts import t


async def render(visit: Visit) -> Any:
    """One crane's structural life with the assumptions behind it."""
    name = visit.place["crane"]
    life = await visit.client.life(name)
    damage, entries, factors, me, counters, records, found, detail, over = await together(
        visit.client.damage(name, detail=visit.query.get("detail")),
        visit.client.details(name),
        visit.client.factors(name),
        visit.client.me(),
        visit.client.counters(name),
        visit.client.life_records(name),
        visit.client.findings(name, day_from=life.recorded_from or visit.now.date()),
        visit.client.crane(name),
        visit.client.overloads(name, state=OverloadState.OPEN, limit=overloads.ON_LIFE),
    )
    report = html.A(
        t("life.report"), href=f"/api/v1/cranes/{name}/report", className="bl-button", download=""
    )
    back = page.button(t("life.to_crane"), f"/crane/{name}?tab=duty")
    dossier = page.button(t("dossier.title"), f"/life/{name}/dossier")
    role = "" if isinstance(me, Trouble) else me.role
    parts: list[Any] = [
        page.head(t("life.of", crane=name), t("life.basis"), back, dossier, report),
        findings.line(found, name),
        _share(life, factors),
        html.Div([life_forecast.fan(life), life_forecast.what_if(life)], className="bl-two"),
    ]
    parts.append(life_uncertainty.section(life))
    zone = UTC_ZONE if isinstance(detail, Trouble) else ZoneInfo(detail.site.time_zone)
    parts.append(overloads.on_life(life, over, zone))
    parts += [
        charts.either(t("counters.title"), counters, lambda found: life_counters.section(life, found, role)),
        charts.either(t("records.title"), records, lambda found: life_records.on_life(name, found.items)),
    ]
    if isinstance(damage, Trouble):
        parts.append(charts.missing(t("damage.title"), damage))
    else:
        parts += life_damage.sections(damage, life, visit)
    parts.append(
        charts.either(
            t("details.title"), entries, lambda found: life_details.editor(visit, name, found.items, role)
        )
    )
    parts.append(marks.cautions(life.cautions, strong=True))
    return html.Div(parts)


def _share(life: LifeAnswer, factors: FactorsAnswer | Trouble) -> html.Section:
    if life.used_share is None:
        body: Any = html.P(
            remarks.text(life.used_share_reason) if life.used_share_reason else t("life.no_class"),
            className="bl-partial",
        )
    else:
        body = marks.bar(
            life.used_share,
            full=1.0,
            band=(life.review_at_share, 1.0),
            state=attention.life_state(life.used_share, life.review_at_share),
            name=t("life.used"),
            text=_shares(life),
        )
    design = life.design
    return page.card(
        t("life.used"),
        body,
        page.note(remarks.sentence(life.remarks)),
        marks.facts(
            marks.fact(t("duty.lifts"), numbers.plain(life.lifts), _recorded(life)),
            marks.fact(t("duty.kq"), numbers.plain(life.kq, 4), t("duty.kq.note")),
            marks.fact(
                t("life.design"),
                f"{design.u_class} {design.q_class}" if design else numbers.MISSING,
                design.edition.value if design else t("life.no_class"),
            ),
            marks.fact(t("life.f1"), numbers.plain(life.f1, 1), remarks.text(life.f1_reason)),
            marks.fact(t("life.coverage"), numbers.share(life.coverage), t("life.coverage.note")),
            marks.fact(
                t("life.assessment"),
                numbers.day(life.special_assessment_on),
                remarks.text(life.special_assessment_reason),
            ),
        ),
        page.fold(
            t("formula"),
            html.P(life.method),
            html.P(t("life.formula")),
            html.P(_prior(life)),
            html.P(t("factors.note")),
            html.P(factors.text) if isinstance(factors, Trouble) else _factors(factors),
        ),
    )


def _shares(life: LifeAnswer) -> str:
    """The used share, and each of its parts that is not 0; what its owner states always."""
    parts = [t("life.part.counted", share=numbers.share(life.used_share_counted))]
    for key, share in (
        ("prior", life.used_share_prior),
        ("unknown", life.used_share_unknown),
        ("unrecorded", life.used_share_unrecorded),
    ):
        if share or (key == "prior" and life.prior_duty is not None):
            years = numbers.plain(life.unknown_years, 1)
            parts.append(t(f"life.part.{key}", share=numbers.share(share), years=years))
    return t("life.used.text", share=numbers.share(life.used_share), parts=", ".join(parts))


def _recorded(life: LifeAnswer) -> str:
    if life.recorded_from is None or life.recorded_to is None:
        return t("life.not_recorded")
    return t("life.recorded", first=numbers.day(life.recorded_from), last=numbers.day(life.recorded_to))


def _prior(life: LifeAnswer) -> str:
    prior = life.prior_duty
    if prior is None:
        return t("life.prior.none")
    return t(
        "life.prior",
        lifts=numbers.plain(prior.lifts),
        kq=numbers.plain(prior.kq, 4),
        f1=numbers.plain(prior.f1, 1),
        source=prior.source or numbers.MISSING,
    )


def _factors(factors: FactorsAnswer) -> html.Table:
    """What each safety factor would make of the same duty."""
    headers = [t(f"factors.col.{name}") for name in ("f1", "recording", "used")]
    rows = [
        html.Tr(
            [
                html.Th(numbers.plain(row.f1, 1), scope="row"),
                html.Td(f"{row.recording}{t('factors.in_force') if row.in_force else ''}"),
                html.Td(numbers.share(row.used_share)),
            ],
            className="bl-row-chosen" if row.in_force else "",
        )
        for row in factors.rows
    ]
    return page.table(headers, rows)


def register(app: Dash, client: Client) -> None:
    """The what-if sliders and the form of details."""
    life_forecast.register(app, client)
    life_details.register(app)
