"""The calendar: which crane is held when. Bars over the days to see at a glance, and the same as a list to act on."""

from datetime import date, timedelta
from typing import Any, Final
from zoneinfo import ZoneInfo

import dash_mantine_components as dmc
from dash import dcc, html

from dashboard.pages.dispatch.parts import clock, day_of, days_between, head, midnight
from dashboard.parts import charts, marks, page, states
from dashboard.visit import ZONES, Trouble, Visit, attempt
from domain import attention
from domain.job_answers import ReservationRow
from words import numbers
from words.texts import t

DAYS: Final = ("7", "1", "14", "28")
CRANES_A_PAGE: Final = 40


async def render(visit: Visit) -> Any:
    """The reservations of some days: of one crane, or of every crane that has any."""
    zone = await ZONES.of_yard(visit.client)
    first, count = day_of(visit, "from", zone), int(visit.choice("days", DAYS))
    crane = visit.query.get("crane") or None
    released = visit.choice("released", ("no", "yes")) == "yes"
    until = first + timedelta(days=count)
    found = await attempt(
        visit.client.reservations(
            midnight(first, zone), midnight(until, zone), crane=crane, with_released=released
        )
    )
    title = t("dispatch.calendar.of", crane=crane) if crane else t("dispatch.calendar.title")
    parts: list[Any] = [
        head("calendar", title, t("dispatch.calendar.context", zone=str(zone))),
        _controls(visit, first, count, zone),
    ]
    if isinstance(found, Trouble):
        parts.append(charts.missing(title, found))
    elif not found.items:
        parts.append(
            states.empty(
                t("dispatch.calendar.empty"),
                t("dispatch.calendar.empty.text"),
                dcc.Link(t("dispatch.tab.one"), href="/dispatch", className="bl-button bl-button-tall"),
            )
        )
    else:
        parts += [_bars(found.items, first, count, zone), _list(found.items, zone)]
    return html.Div(parts)


def _controls(visit: Visit, first: date, count: int, zone: ZoneInfo) -> html.Div:
    def to(day: date | None, word: str) -> dmc.Anchor:
        return page.tall(word, visit.href(**{"from": None if day is None else day.isoformat()}))

    whole = None
    if visit.query.get("crane"):
        whole = page.tall(t("dispatch.calendar.all"), visit.href(crane=None))
    return html.Div(
        [
            to(first - timedelta(days=count), t("dispatch.calendar.back")),
            to(None, t("dispatch.calendar.today")),
            to(first + timedelta(days=count), t("dispatch.calendar.on")),
            page.choice(
                "days",
                str(count),
                [(one, t("dispatch.calendar.days", count=int(one))) for one in sorted(DAYS, key=int)],
                label=t("dispatch.calendar.span"),
                default=DAYS[0],
            ),
            page.choice(
                "released",
                visit.choice("released", ("no", "yes")),
                [("no", t("dispatch.calendar.held_only")), ("yes", t("dispatch.calendar.with_released"))],
                label=t("dispatch.calendar.which"),
                default="no",
            ),
            whole,
        ],
        className="bl-controls bl-calendar-controls",
    )


def _bars(rows: tuple[ReservationRow, ...], first: date, count: int, zone: ZoneInfo) -> html.Section:
    start = midnight(first, zone)
    span_s = (midnight(first + timedelta(days=count), zone) - start).total_seconds()
    by_crane: dict[str, list[ReservationRow]] = {}
    for row in rows:
        by_crane.setdefault(row.crane, []).append(row)

    def bar(row: ReservationRow) -> html.Span:
        left = max(0.0, (row.starts_at - start).total_seconds() / span_s)
        right = min(1.0, (row.ends_at - start).total_seconds() / span_s)
        return html.Span(
            className="bl-held bl-held-released" if row.released_at else "bl-held",
            style={"left": f"{100 * left:.3f}%", "width": f"{100 * max(right - left, 0.006):.3f}%"},
            title=f"{row.title}, {clock(row)}",
        )

    days = [
        html.Span(
            f"{day.day}",
            className="bl-calendar-day bl-calendar-weekend" if day.weekday() > 4 else "bl-calendar-day",
        )
        for day in days_between(first, count)
    ]
    lines = [
        html.Li(
            [
                page.crane_link(crane),
                html.Div(
                    [bar(row) for row in held],
                    className="bl-calendar-track",
                    style={"backgroundSize": f"{100 / count:.4f}% 100%"},
                ),
            ]
        )
        for crane, held in sorted(by_crane.items())[:CRANES_A_PAGE]
    ]
    months = numbers.day(first) + (
        f" – {numbers.day(first + timedelta(days=count - 1))}" if count > 1 else ""
    )
    return page.card(
        t("dispatch.calendar.picture", cranes=len(by_crane), span=months),
        html.Div(
            [html.Span(), html.Div(days, className="bl-calendar-days")],
            className="bl-calendar-head",
            **{"aria-hidden": "true"},
        ),
        html.Ul(lines, className="bl-calendar"),
        page.note(t("dispatch.calendar.more", count=len(by_crane) - CRANES_A_PAGE))
        if len(by_crane) > CRANES_A_PAGE
        else None,
    )


def _list(rows: tuple[ReservationRow, ...], zone: ZoneInfo) -> html.Section:
    by_day: dict[date, list[ReservationRow]] = {}
    for row in rows:
        by_day.setdefault(row.starts_at.astimezone(zone).date(), []).append(row)
    parts: list[Any] = [html.H2(t("dispatch.calendar.list", count=len(rows)))]
    for day, held in sorted(by_day.items()):
        parts += [
            html.H3(numbers.weekday(day)),
            html.Ul([_entry(row) for row in held], className="bl-entries"),
        ]
    return html.Section(parts, className="bl-card")


def _entry(row: ReservationRow) -> html.Li:
    return html.Li(
        dcc.Link(
            [
                html.Span(clock(row), className="bl-entry-time"),
                html.Span(row.crane, className="bl-entry-crane"),
                html.Span(row.title, className="bl-entry-title"),
                marks.mark(attention.State.STALE, t("dispatch.calendar.released"))
                if row.released_at
                else None,
            ],
            href=f"/dispatch/reservation/{row.reservation_id}",
            className="bl-entry",
        )
    )
