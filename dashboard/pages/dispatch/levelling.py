"""Levelling: which cranes should take lighter work this month. Planned and measured: how well the plans held."""

from typing import Any, Final
from zoneinfo import ZoneInfo

from dash import html

from dashboard.pages.dispatch.parts import head
from dashboard.parts import charts, marks, page, states
from dashboard.visit import ZONES, Visit
from domain import attention
from domain.attention import State
from domain.job_answers import CraneBias, LevellingRow, MeasuredRow
from words import numbers, remarks
from words.numbers import Units
from words.texts import t

SPANS: Final = ("90", "30", "366")


async def render(visit: Visit) -> Any:
    """The pace of each crane against the even pace, hardest worked first."""
    days = visit.choice("days", SPANS)
    answer = await visit.client.levelling(days=int(days))
    control = page.choice(
        "days",
        days,
        [(one, t("dispatch.levelling.days", count=int(one))) for one in sorted(SPANS, key=int)],
        label=t("dispatch.levelling.of_late"),
        default=SPANS[0],
    )
    parts: list[Any] = [
        head("levelling", t("dispatch.levelling.title"), t("dispatch.levelling.context"), control)
    ]
    if not answer.rows:
        parts.append(states.empty(t("dispatch.levelling.empty"), t("dispatch.levelling.empty.text")))
    else:
        parts.append(
            page.card(
                _headline(answer.rows),
                html.Ul([_pace(row, visit.units) for row in answer.rows], className="bl-paces"),
                note=t("dispatch.levelling.note"),
            )
        )
        parts.append(_pace_table(answer.rows, visit.units))
    if answer.unknown:
        parts.append(
            page.card(
                t("dispatch.levelling.unknown", count=len(answer.unknown)),
                html.Ul([html.Li(page.crane_link(name)) for name in answer.unknown], className="bl-inline"),
                note=t("dispatch.levelling.unknown.text"),
            )
        )
    parts.append(marks.cautions(answer.cautions))
    return html.Div(parts)


def _headline(rows: tuple[LevellingRow, ...]) -> str:
    lighter = [row.crane for row in rows if attention.overworked(_ratio(row))]
    if not lighter:
        return t("dispatch.levelling.even")
    return t("dispatch.levelling.lighter", count=len(lighter), cranes=numbers.listed(lighter[:6]))


def _ratio(row: LevellingRow) -> float:
    return row.pace_share_per_month / max(row.even_share_per_month, 1e-12)


def advice_words(row: LevellingRow, units: Units) -> str:
    """What to do with a crane, and what speaks against more work."""
    advice, held = (
        remarks.text(row.advice, units),
        [remarks.text(one, units) for one in row.held_back],
    )
    return t("dispatch.levelling.advice.held", advice=advice, held="; ".join(held)) if held else advice


def _pace(row: LevellingRow, units: Units) -> html.Li:
    ratio = _ratio(row)
    state = State.WATCH if attention.overworked(ratio) else State.OK
    return html.Li(
        [
            page.crane_link(row.crane, tab="duty"),
            html.Div(
                [
                    marks.bar(
                        min(ratio, 3.0),
                        full=2.0,
                        band=(1.0, 1.02),
                        state=state,
                        name=t("dispatch.levelling.pace"),
                        text=t(
                            "dispatch.levelling.pace.text",
                            pace=numbers.share(row.pace_share_per_month),
                            even=numbers.share(row.even_share_per_month),
                        ),
                    ),
                    html.Span(
                        t(
                            "dispatch.levelling.row",
                            advice=advice_words(row, units),
                            used=numbers.share(row.used_share),
                            review=numbers.day(row.review_on),
                        ),
                        className="bl-cell-note",
                    ),
                ]
            ),
        ]
    )


def _pace_table(rows: tuple[LevellingRow, ...], units: Units) -> html.Details:
    return charts.numbers_behind(
        "levelling",
        (
            t("dispatch.reservation.crane"),
            t("dispatch.levelling.col.used"),
            t("dispatch.levelling.col.pace"),
            t("dispatch.levelling.col.even"),
            t("dispatch.levelling.col.review"),
            t("dispatch.levelling.col.advice"),
        ),
        [
            (
                row.crane,
                row.used_share,
                row.pace_share_per_month,
                row.even_share_per_month,
                row.review_on.isoformat(),
                advice_words(row, units),
            )
            for row in rows
        ],
    )


async def render_measured(visit: Visit) -> Any:
    """Planned against measured utilisation after the job, with the bias of each crane."""
    crane = visit.query.get("crane") or None
    answer = await visit.client.planned_and_measured(crane=crane)
    zone = await ZONES.of_yard(visit.client)
    title = t("dispatch.measured.of", crane=crane) if crane else t("dispatch.measured.title")
    parts: list[Any] = [head("measured", title, t("dispatch.measured.context"))]
    if not answer.rows:
        parts.append(states.empty(t("dispatch.measured.empty"), t("dispatch.measured.empty.text")))
        return html.Div(parts)
    parts.append(
        page.card(
            t("dispatch.bias"),
            html.Ul([_bias(one) for one in answer.bias], className="bl-biases"),
            note=t("dispatch.bias.note", watch=numbers.plain(attention.BIAS_WATCH_PCT)),
        )
    )
    parts.append(
        page.card(
            t("dispatch.measured.jobs", count=len(answer.rows)),
            html.Ul([_measured(row, zone) for row in answer.rows[:100]], className="bl-entries"),
            charts.numbers_behind(
                "planned-and-measured",
                (
                    t("dispatch.reservation.crane"),
                    t("dispatch.measured.col.title"),
                    t("dispatch.measured.col.start"),
                    t("dispatch.measured.col.lifts"),
                    t("dispatch.measured.col.planned"),
                    t("dispatch.measured.col.measured"),
                    t("dispatch.measured.col.difference"),
                ),
                [
                    (
                        row.crane,
                        row.title,
                        row.starts_at.isoformat(),
                        row.lifts,
                        row.planned_utilisation_pct,
                        row.measured_utilisation_pct,
                        row.difference_pct,
                    )
                    for row in answer.rows
                ],
            ),
        )
    )
    return html.Div(parts)


def _bias(one: CraneBias) -> html.Li:
    mean = one.mean_difference_pct
    off = attention.biased(mean)
    words = t("dispatch.bias.high" if mean > 0 else "dispatch.bias.low") if off else t("dispatch.bias.fine")
    spread = (
        "" if one.spread_pct is None else t("dispatch.bias.spread", spread=numbers.plain(one.spread_pct, 1))
    )
    return html.Li(
        [
            page.crane_link(one.crane),
            html.Span(
                t("dispatch.bias.text", count=one.reservations, mean=f"{mean:+.1f}".replace("-", "\u2212"))
                + spread
            ),
            marks.mark(State.WATCH if off else State.OK, words),
        ]
    )


def _measured(row: MeasuredRow, zone: ZoneInfo) -> html.Li:
    if row.measured_utilisation_pct is None:
        words = t("dispatch.measured.none")
    else:
        words = t(
            "dispatch.measured.row",
            planned=numbers.percent(row.planned_utilisation_pct),
            measured=numbers.percent(row.measured_utilisation_pct),
            count=row.lifts,
        )
    return html.Li(
        [
            html.Span(numbers.moment(row.starts_at, zone), className="bl-entry-time"),
            page.crane_link(row.crane),
            html.Span(f"{row.title}: {words}", className="bl-entry-title"),
        ],
        className="bl-entry",
    )
