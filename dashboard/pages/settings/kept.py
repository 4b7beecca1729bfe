"""What is kept about a person: about oneself, and for an administrator about everybody with an account."""

import json
from collections.abc import Sequence
from typing import Any, Final
from urllib.parse import quote

from dash import html

from dashboard.parts import page
from dashboard.visit import UTC_ZONE, Visit
from domain.accounts import KeptPlace, WhoAmI
from words import numbers
from words.texts import t

ROWS_SHOWN: Final = 10


async def render(visit: Visit, who: WhoAmI) -> Any:
    """What is kept, why and for how long, and the way to all of it as a file."""
    account = visit.query.get("account") if who.role == "admin" else None
    found = await visit.client.kept(account)
    path = "me" if account is None else f"users/{quote(account)}"
    title = t("kept.title") if account is None else t("kept.title.of", name=found.name)
    return page.card(
        title,
        html.P(
            html.A(
                t("kept.download"),
                href=f"/api/v1/{path}/kept",
                download=f"kept-{found.name}.json",
                className="bl-link",
            )
        ),
        page.table(
            [t(f"kept.head.{name}") for name in ("what", "rows", "why")], map(_line, found.places), title
        )
        if found.places
        else page.nothing(t("kept.none")),
        html.P(t("kept.elsewhere")) if found.withheld else None,
        html.P(t("kept.removing")),
        note=t("kept.note", at=numbers.moment(found.at, UTC_ZONE)),
        id="kept",
    )


def _line(there: KeptPlace) -> tuple[Any, ...]:
    what = t(f"kept.of.{there.place.partition('.')[0]}")
    shown = html.Details(
        [
            html.Summary(t("kept.show"), **{"aria-label": f"{t('kept.show')}: {what}, {there.place}"}),
            html.Pre("\n".join(_rows(there.rows))),
        ]
    )
    return (
        [what, html.Br(), html.Code(there.place), shown],
        html.Td(str(there.count), className="bl-number"),
        t(f"kept.why.{there.place.partition('.')[0]}"),
    )


def _rows(rows: Sequence[dict[str, Any]]) -> list[str]:
    shown = [json.dumps(row, ensure_ascii=False) for row in rows[:ROWS_SHOWN]]
    return shown if len(rows) <= ROWS_SHOWN else [*shown, "…"]
