"""Periods of whole local days and spans of time: chosen by a word or typed, and kept in the address either way."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from typing import Any, Final
from urllib.parse import urlencode
from zoneinfo import ZoneInfo

from dash import html

from dashboard.client import Client
from dashboard.parts import form, page
from dashboard.parts.form import Done, Values
from dashboard.visit import Visit
from domain.errors import InvalidInput
from words.texts import t

DATES: Final = "dates"
ALL: Final = "all"
LONGEST: Final = timedelta(days=366)
LONGEST_SPAN: Final = timedelta(days=31)


@dataclass(frozen=True, kw_only=True)
class Period:
    """Whole local days, from `first` to `last`; both None for the whole record. word: the choice that it came by."""

    word: str
    first: date | None
    last: date | None
    zone: ZoneInfo

    @property
    def start(self) -> datetime:
        """Midnight at which the first day begins; for a period that has one."""
        return datetime.combine(self.first or date.min, time(), self.zone)

    @property
    def end(self) -> datetime:
        """Midnight at which the last day ends."""
        return datetime.combine((self.last or date.max) + timedelta(days=1), time(), self.zone)


def chosen(visit: Visit, words: Sequence[str], zone: ZoneInfo) -> Period:
    """The period that the address names by `days`, and with `dates` by `first` and `last`; else that of words[0].

    words: numbers of days up to today, and where it may be `all`. InvalidInput for days that cannot be read.
    """
    word = visit.choice("days", (*words, DATES))
    today = visit.now.astimezone(zone).date()
    if word == ALL:
        return Period(word=word, first=None, last=None, zone=zone)
    if word != DATES:
        return Period(word=word, first=today - timedelta(days=int(word) - 1), last=today, zone=zone)
    first = _day(visit.query.get("first"), "first") or today - timedelta(days=29)
    last = _day(visit.query.get("last"), "last") or max(today, first)
    problem = _order_problem(first, last)
    if problem:
        raise InvalidInput(problem, field="last")
    return Period(word=word, first=first, last=last, zone=zone)


def control(visit: Visit, period: Period, words: Sequence[str]) -> html.Div:
    """The choice of a period; with `dates` chosen, the two days to type. words[0] is the default."""
    ordered = sorted((one for one in words if one != ALL), key=int)
    options = [(one, t("period.days", count=one)) for one in ordered]
    if ALL in words:
        options.append((ALL, t("period.all")))
    options.append((DATES, t("period.dates")))
    parts: list[Any] = [page.choice("days", period.word, options, label=t("period"), default=words[0])]
    if period.word == DATES:
        fields = [_field("dates", name, getattr(period, name), "date") for name in ("first", "last")]
        parts.append(form.form("dates", fields, t("period.show"), context=_here(visit), quiet=True))
    return html.Div(parts, className="bl-period")


def span(visit: Visit, zone: ZoneInfo, *, end: datetime | None = None) -> tuple[datetime, datetime]:
    """The span that the address asks for with `from` and `to`; the hour up to `end` (or now) where it names none.

    A time without an offset is one of the site's clock. InvalidInput for what cannot be read or is too long.
    """
    try:
        asked = {name: _time(visit.query[name], zone) for name in ("from", "to") if name in visit.query}
    except ValueError as problem:
        raise InvalidInput(t("trace.bad_span"), field="from") from problem
    start = asked.get("from", (end or visit.now) - timedelta(hours=1))
    finish = asked.get("to", start + timedelta(hours=1))
    if not timedelta(0) < finish - start <= LONGEST_SPAN:
        raise InvalidInput(t("trace.bad_span"), field="to")
    return start.astimezone(UTC), finish.astimezone(UTC)


def span_form(visit: Visit, start: datetime, end: datetime, zone: ZoneInfo) -> html.Div:
    """Two times to type, on the clock of the site."""
    fields = [
        _field(
            "span",
            name,
            when.astimezone(zone).replace(tzinfo=None).isoformat(timespec="seconds"),
            "datetime-local",
        )
        for name, when in (("from", start), ("to", end))
    ]
    return html.Div(
        form.form("span", fields, t("period.show"), context={**_here(visit), "zone": zone.key}, quiet=True),
        className="bl-period",
    )


def _field(name: str, field: str, value: object, kind: str) -> Any:
    more = {"type": kind, **({"step": "1"} if kind == "datetime-local" else {})}
    return form.text(name, field, "" if value is None else str(value), inputProps=more)


def _here(visit: Visit) -> dict[str, Any]:
    return {"path": visit.path, "query": dict(visit.query)}


def _day(text: str | None, field: str) -> date | None:
    if not text:
        return None
    try:
        return date.fromisoformat(text)
    except ValueError as problem:
        raise InvalidInput(t("period.bad_day"), field=field) from problem


def _time(text: str, zone: ZoneInfo) -> datetime:
    """A time; without an offset it is one of the site's clock. ValueError for what is none."""
    when = datetime.fromisoformat(text)
    return when if when.tzinfo else when.replace(tzinfo=zone)


def _order_problem(first: date, last: date) -> str:
    if last < first:
        return t("period.bad_order")
    return t("period.too_long", count=LONGEST.days) if last - first >= LONGEST else ""


def _address(context: Values, *without: str, **changes: str) -> str:
    query = {name: str(value) for name, value in context["query"].items() if name not in without}
    return f"{context['path']}?{urlencode({**query, **changes})}"


@form.handles("dates")
async def _dates(_client: Client, values: Values, context: Values) -> Done:
    """To the same page with the typed days in its address."""
    days: dict[str, date] = {}
    for name in ("first", "last"):
        try:
            days[name] = date.fromisoformat(str(values.get(name) or ""))
        except ValueError as problem:
            raise form.Unreadable({name: t("period.bad_day")}) from problem
    problem_words = _order_problem(days["first"], days["last"])
    if problem_words:
        raise form.Unreadable({"last": problem_words})
    found = {name: day.isoformat() for name, day in days.items()}
    return Done(said="", redraw=False, go_to=_address(context, days=DATES, **found))


@form.handles("span")
async def _span(_client: Client, values: Values, context: Values) -> Done:
    """To the same page with the typed span in its address."""
    zone = ZoneInfo(str(context["zone"]))
    times: dict[str, datetime] = {}
    for name in ("from", "to"):
        try:
            times[name] = _time(str(values.get(name) or ""), zone).astimezone(UTC)
        except ValueError as problem:
            raise form.Unreadable({name: t("period.bad_time")}) from problem
    if times["to"] <= times["from"]:
        raise form.Unreadable({"to": t("period.bad_times")})
    if times["to"] - times["from"] > LONGEST_SPAN:
        raise form.Unreadable({"to": t("period.too_long", count=LONGEST_SPAN.days)})
    found = {name: when.isoformat().replace("+00:00", "Z") for name, when in times.items()}
    return Done(said="", redraw=False, go_to=_address(context, "at", **found))
