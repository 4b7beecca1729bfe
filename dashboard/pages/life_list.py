"""Life of all cranes: the used share of each, the most used first."""

from typing import Any

from dash import dcc, html

from dashboard import numbers
from dashboard.parts import marks, page, states
from dashboard.texts import t
from dashboard.visit import Visit
from domain.answers import FleetRow

AT_MOST = 200


async def render_list(visit: Visit) -> Any:
    """Every crane by used share, the most used first; what is forecast, and what compares."""
    fleet = await visit.client.fleet(days=30)
    if not fleet.rows:
        return html.Div(
            [page.head(t("life.title")), states.empty(t("fleet.empty.title"), t("fleet.empty.text"))]
        )
    rows = sorted(
        fleet.rows, key=lambda row: -1.0 if row.used_share is None else row.used_share, reverse=True
    )
    return html.Div(
        [
            page.head(t("life.title"), t("life.context")),
            html.Section(
                [
                    html.H2(t("life.list")),
                    html.P(_summary(rows), className="bl-summary"),
                    html.Ul([html.Li(_line(row)) for row in rows[:AT_MOST]], className="bl-life-list"),
                    html.P(t("life.list.rest", count=len(rows) - AT_MOST)) if len(rows) > AT_MOST else None,
                ],
                className="bl-card",
            ),
            marks.cautions(fleet.cautions),
        ]
    )


def _summary(rows: list[FleetRow]) -> str:
    past = sum((row.used_share or 0) >= marks.REVIEW_SHARE for row in rows)
    unknown = sum(row.used_share is None for row in rows)
    words = [t("life.list.past", count=past) if past else t("life.list.none_past")]
    if unknown:
        words.append(t("life.list.unknown", count=unknown))
    return " ".join(words)


def _line(row: FleetRow) -> list[Any]:
    return [
        dcc.Link(row.crane, href=f"/life/{row.crane}", className="bl-link"),
        html.Span(row.title or row.type, className="bl-cell-note"),
        marks.bar(
            row.used_share,
            full=1.0,
            band=(marks.REVIEW_SHARE, 1.0),
            state=marks.life_state(row.used_share),
            name=t("life.used"),
            text=numbers.share(row.used_share) if row.used_share is not None else t("life.no_class.short"),
        ),
        html.Span(
            t("life.spent_on", day=numbers.day(row.spent_on)) if row.spent_on else t("life.spent_on.unknown"),
            className="bl-cell-note",
        ),
    ]
