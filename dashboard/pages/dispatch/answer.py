"""What the dispatch page answers: cranes that fit in their order, why the others are out, and what the order is made of."""

from collections.abc import Sequence
from typing import Any, Final
from zoneinfo import ZoneInfo

import dash_mantine_components as dmc
from dash import html

from dashboard.parts import marks, page, states
from dashboard.visit import Visit
from domain import attention
from domain.attention import State as Attention
from domain.crane import Spread
from domain.dispatch_answers import Assumption, DispatchAnswer, DispatchCandidate, DispatchQuestion
from words import numbers, remarks
from words.numbers import Units
from words.texts import t

SHOWN_AT_FIRST: Final = 5
FIT_A_PAGE: Final = 25
OUT_A_PAGE: Final = 12


def answer_parts(
    visit: Visit, answer: DispatchAnswer, shown: DispatchCandidate | None, zone: ZoneInfo
) -> list[Any]:
    """The headline and the cards of the cranes that fit."""
    fit = [one for one in answer.candidates if one.fit]
    if not answer.fit_count:
        nothing = states.empty(t("dispatch.none.title"), t("dispatch.none.text"))
        return (
            [nothing, html.Div(assumed(answer.assumed, visit.units), className="bl-card")]
            if answer.assumed
            else [nothing]
        )
    skipped = answer.question.skip_candidates
    cheapest = min((one.life_cost_share for one in fit if one.life_cost_share), default=None)
    cards = [
        html.Li(_card(visit, answer.question, one, rank, one == shown, cheapest, zone))
        for rank, one in enumerate(fit, start=skipped + 1)
    ]
    return [
        page.card(
            t("dispatch.fit", count=answer.fit_count),
            assumed(answer.assumed, visit.units),
            html.Ol(cards[:SHOWN_AT_FIRST], className="bl-candidates"),
            _more(cards[SHOWN_AT_FIRST:]),
            _pages(visit, skipped, skipped + len(fit), answer.fit_count),
            _order(answer),
            note=job_words(answer.question, visit),
        )
    ]


def assumed(entries: Sequence[Assumption], units: Units) -> html.Ul | None:
    """What the question left open, the costliest first, with what entering it could bring."""
    lines = []
    for one in entries:
        words = [remarks.text(one, units)]
        if one.cranes_lost:
            words.append(t("dispatch.assumed.cranes", count=one.cranes_lost))
        if one.capacity_lost_kg:
            words.append(t("dispatch.assumed.capacity", mass=numbers.mass(one.capacity_lost_kg, units)))
        lines.append(html.Li([html.Strong(t(f"dispatch.assumed.{one.entry}")), " ", " ".join(words)]))
    return html.Ul(lines, className="bl-notes bl-assumed") if lines else None


def _more(cards: list[Any]) -> Any:
    if not cards:
        return None
    return page.fold(t("dispatch.more", count=len(cards)), html.Ol(cards, className="bl-candidates"))


def _pages(visit: Visit, skipped: int, until: int, count: int) -> Any:
    if count <= until and not skipped:
        return None
    links = []
    if skipped:
        back = max(skipped - FIT_A_PAGE, 0)
        links.append(_step(t("dispatch.page.back"), visit.href(skip=str(back) if back else None)))
    if count > until:
        links.append(_step(t("dispatch.page.on"), visit.href(skip=str(until))))
    words = t("dispatch.page.words", first=skipped + 1, last=until, count=count)
    return html.Nav(
        [html.Span(words), *links], className="bl-pages", **{"aria-label": t("dispatch.page.label")}
    )


def _step(word: str, href: str) -> dmc.Anchor:
    return page.tall(word, href)


def job_words(question: DispatchQuestion, visit: Visit) -> str:
    """The job in a sentence."""
    units = visit.units
    words = t(
        "dispatch.job_words",
        mass=numbers.load(question.hook_load_kg, units),
        rigging=numbers.load(question.rigging_kg, units),
        outreach=numbers.length(question.outreach_m, units),
        height=_height_words(question.hook_height_m, units),
        left=_room_words(question.spread_left),
        right=_room_words(question.spread_right),
    )
    if question.pick is not None:
        words += t(
            "dispatch.job_words.pick",
            outreach=numbers.length(question.pick.outreach_m, units),
            height=_height_words(question.pick.hook_height_m, units),
        )
    return words + t("dispatch.job_words.limit", limit=numbers.percent(question.planning_limit_pct))


def _height_words(height_m: float | None, units: Units) -> str:
    return t("dispatch.every_height") if height_m is None else numbers.length(height_m, units)


def _room_words(spread: Spread | None) -> str:
    return t("dispatch.spread.unknown") if spread is None else t(f"spread.{spread}")


def _card(
    visit: Visit,
    question: DispatchQuestion,
    one: DispatchCandidate,
    rank: int,
    shown: bool,
    cheapest: float | None,
    zone: ZoneInfo,
) -> html.Div:
    limit = question.planning_limit_pct
    thin = attention.thin(one.headroom_pct)
    state = Attention.WATCH if thin or not one.usable else Attention.OK
    return html.Div(
        [
            html.Div(str(rank), className="bl-rank", **{"aria-hidden": "true"}),
            html.Div(
                [
                    html.Div(
                        [
                            page.crane_link(one.crane),
                            html.Span(f"{one.title or one.type} · {one.site}", className="bl-cell-note"),
                            _free(question, one, zone),
                            marks.mark(Attention.ACT, t("dispatch.override")) if one.needs_override else None,
                        ],
                        className="bl-candidate-name",
                    ),
                    marks.bar(
                        one.capacity_used_pct,
                        full=100.0,
                        band=(limit, 100.0),
                        state=state,
                        name=t("dispatch.headroom"),
                        text=t(
                            "dispatch.headroom.text",
                            headroom=numbers.rated(one.headroom_kg, visit.units),
                            used=numbers.percent(one.capacity_used_pct, "least"),
                            capacity=numbers.rated(one.capacity_kg, visit.units),
                            limit=numbers.percent(limit),
                        ),
                    ),
                    page.note(configuration_words(one)),
                    html.Details(
                        [
                            html.Summary(_points_words(one)),
                            html.Ul(
                                [html.Li(line) for line in _remarks(one, cheapest, visit.units)],
                                className="bl-notes",
                            ),
                        ],
                        className="bl-numbers bl-remarks",
                    ),
                ],
                className="bl-candidate-body",
            ),
            dmc.Anchor(
                t("dispatch.show"),
                href=visit.href(show=one.crane) + "#lift",
                className="bl-button bl-button-quiet",
                underline="never",
                **({"aria-current": "true"} if shown else {}),
                **{"aria-label": t("dispatch.show.label", crane=one.crane)},
            ),
        ],
        className="bl-candidate bl-candidate-shown" if shown else "bl-candidate",
    )


def _free(question: DispatchQuestion, one: DispatchCandidate, zone: ZoneInfo) -> Any:
    if one.held_until is not None:
        until = numbers.moment(one.held_until, zone)
        return marks.mark(Attention.WATCH, t("dispatch.held", until=until))
    if question.window is not None:
        return marks.mark(Attention.OK, t("dispatch.free"))
    return None


def _remarks(one: DispatchCandidate, cheapest: float | None, units: Units) -> list[str]:
    """What to know about a crane that fits: what holds it, pads, life, notes of the api."""
    lines = []
    if one.limited_by not in (None, "capacity"):
        lines.append(t(f"dispatch.limited.{one.limited_by}"))
    if one.pad_left_kn is not None and one.pad_right_kn is not None:
        lines.append(
            t(
                "dispatch.pads",
                left=numbers.force(one.pad_left_kn, units),
                right=numbers.force(one.pad_right_kn, units),
                pressure=numbers.pressure(one.pad_pressure_kpa, units),
            )
        )
    if one.assumed is not None:
        lines.append(
            t(
                f"dispatch.if_entered.{one.assumed}",
                capacity=numbers.rated(one.capacity_if_entered_kg, units),
                now=numbers.rated(one.capacity_kg or 0.0, units),
            )
        )
    lines.append(_life_words(one, cheapest))
    # When it is reserved until stands beside its name already.
    return lines + [remarks.text(note, units) for note in one.notes if note.code != "reserved"]


def configuration_words(one: DispatchCandidate) -> str:
    """How the crane is set up for the lift."""
    if one.spread_left is None or one.spread_right is None:
        return ""
    words = t(
        "dispatch.configuration",
        left=t(f"spread.{one.spread_left}"),
        right=t(f"spread.{one.spread_right}"),
        where=t(f"sector.{one.sector}") if one.sector else t("dispatch.every_sector"),
    )
    if one.stage is not None:
        words += t("dispatch.configuration.stage", count=one.stage)
    return words + (t("dispatch.configuration.jib") if one.jib_fitted else "")


def _points_words(one: DispatchCandidate) -> str:
    terms = [
        f"{t(f'dispatch.w_{name}')} {numbers.plain(points, 1)}"
        for name, points in _named_terms(one).items()
        if points
    ]
    return t(
        "dispatch.points",
        points=numbers.plain(one.points, 1),
        terms=numbers.listed(terms) or t("dispatch.points.none"),
    )


def _named_terms(one: DispatchCandidate) -> dict[str, float]:
    names = {"life": "life_per_ppm", "distance": "distance_per_km"}
    return {names.get(name, name): points for name, points in one.terms.items()}


def _life_words(one: DispatchCandidate, cheapest: float | None) -> str:
    if not one.life_cost_share:
        return t("dispatch.life.unknown")
    words = t("dispatch.life.cost", count=numbers.plain(_three_digits(1 / one.life_cost_share)))
    if cheapest and one.life_cost_share > cheapest * 1.05:
        words += t("dispatch.life.more", times=numbers.plain(one.life_cost_share / cheapest, 1))
    if one.used_share is not None:
        words += t("dispatch.life.used", share=numbers.share(one.used_share))
    return words + "."


def _three_digits(value: float) -> float:
    """An estimate is not shown with more digits than it deserves."""
    return float(f"{value:.3g}")


def _order(answer: DispatchAnswer) -> html.Details:
    """The weights that put the cranes in order, in the answer itself; they are changed in the form."""
    weights = answer.question.weights.model_dump()
    rows = [
        (page.row_head(t(f"dispatch.w_{name}")), numbers.plain(value, 1)) for name, value in weights.items()
    ]
    return page.fold(
        t("dispatch.order"),
        page.note(t("dispatch.order.note")),
        page.table((t("dispatch.weight"), t("dispatch.points.col")), rows),
    )


def ruled_out(
    visit: Visit, counted: dict[str, int], named: tuple[DispatchCandidate, ...], more: int
) -> html.Section | None:
    """How many cranes fell out at which condition, and some of them with their reasons. None where all fit."""
    if not counted:
        return None
    chosen, skipped = visit.query.get("out", ""), int(visit.number("skip_out", 0))
    filters = [
        html.Li(
            dmc.Anchor(
                t("dispatch.out.count", name=t(f"dispatch.out.{name}"), count=count),
                href=visit.href(out=name, skip_out=None) + "#out",
                underline="never",
                className="bl-button bl-button-quiet bl-button-tall",
                **({"aria-current": "true"} if name == chosen else {}),
            )
        )
        for name, count in sorted(counted.items(), key=lambda one: -one[1])
    ]
    rows = [
        html.Li(
            [
                page.crane_link(one.crane),
                html.Span(one.title or one.type, className="bl-cell-note"),
                html.Ul(
                    [html.Li(remarks.text(reason, visit.units)) for reason in one.reasons],
                    className="bl-notes",
                ),
            ]
        )
        for one in named
    ]
    steps = []
    if skipped:
        back = max(skipped - OUT_A_PAGE, 0)
        steps.append(
            _step(t("dispatch.page.back"), visit.href(skip_out=str(back) if back else None) + "#out")
        )
    if more:
        steps.append(_step(t("dispatch.page.on"), visit.href(skip_out=str(skipped + len(named))) + "#out"))
    return html.Section(
        [
            html.H2(t("dispatch.out", count=sum(counted.values())), id="out"),
            page.note(t("dispatch.out.note")),
            html.Ul(filters, className="bl-filters"),
            html.Ul(rows, className="bl-ruled-out"),
            html.Div(steps, className="bl-pages") if steps else None,
        ],
        className="bl-card",
    )
