"""Bounds on what may be asked: times with a zone, in years that exist, and never an endless range."""

from collections.abc import Iterable
from datetime import UTC, date, datetime, timedelta
from typing import Annotated, Final

from fastapi import Path, Query, Request
from fastapi.dependencies.utils import get_flat_params
from fastapi.params import Query as QueryField
from fastapi.routing import APIRoute

from domain.errors import InvalidInput
from domain.moments import RECORD_YEARS, Day, DayRange, Instant, TimeRange, today_in
from store.duty import FIRST_DAY, WHOLE_LIFE

YEAR_FIRST, YEAR_LAST = RECORD_YEARS
SAMPLES_RANGE_MAX: Final = timedelta(days=31)
LIST_RANGE_MAX: Final = timedelta(days=366)
_TAG: Final = r'(?:W/)?"[\x21\x23-\x7e]*"'
TAGS: Final = rf"(?:\*|{_TAG}(?: *, *{_TAG})*)"
"""Entity tags as RFC 9110, 8.8.3 and 13.1.1, writes them; ours hold ASCII only."""


_EXAMPLE_FROM = {"example": {"value": "2026-03-02T05:00:00Z"}}
_EXAMPLE_TO = {"example": {"value": "2026-03-02T17:00:00Z"}}
TimeFrom = Annotated[
    Instant,
    Query(alias="from", description="first instant, with zone", openapi_examples=_EXAMPLE_FROM),
]
TimeTo = Annotated[
    Instant,
    Query(alias="to", description="first instant after the range, with zone", openapi_examples=_EXAMPLE_TO),
]
DayFrom = Annotated[Day | None, Query(description="first local day of the crane's site")]
DayTo = Annotated[Day | None, Query(description="last local day of the crane's site")]
OnDay = Annotated[Day | None, Query(description="local day; today at the crane's site when absent")]
EntryName = Annotated[
    str,
    Path(
        pattern=r"^[A-Za-z0-9][A-Za-z0-9 ._-]{0,79}$", openapi_examples={"example": {"value": "column foot"}}
    ),
]
ReservationId = Annotated[int, Path(ge=1, le=2**53)]


def time_range(start: datetime, end: datetime, longest: timedelta) -> TimeRange:
    """A bounded range in UTC; InvalidInput says which bound was crossed."""
    for name, moment in (("from", start), ("to", end)):
        if not YEAR_FIRST < moment.year < YEAR_LAST:
            raise InvalidInput(f"{name} lies outside the years {YEAR_FIRST} to {YEAR_LAST}", field=name)
    if end <= start:
        raise InvalidInput("to must lie after from", field="to")
    if end - start > longest:
        raise InvalidInput(f"the range is longer than {longest.days} days: ask in parts", field="to")
    return TimeRange(start.astimezone(UTC), end.astimezone(UTC))


def at_most(chosen: DayRange, days: int, what: str) -> None:
    """InvalidInput where the range has more days. `what` begins the sentence: "a fleet is compared"."""
    if (chosen.last - chosen.first).days >= days:
        raise InvalidInput(f"{what} over {days} days at most", field="day_from")


def day_range(first: date | None, last: date | None, *, default_days: int, zone: str) -> DayRange:
    """Whole local days: the last `default_days` up to today where bounds are left out."""
    today = today_in(zone)
    for name, day in (("day_from", first), ("day_to", last)):
        if day is not None and not YEAR_FIRST <= day.year <= YEAR_LAST:
            raise InvalidInput(f"{name} lies outside the years {YEAR_FIRST} to {YEAR_LAST}", field=name)
    last = last or max(today, first or today)
    first = first or max(last - timedelta(days=default_days - 1), date(YEAR_FIRST, 1, 1))
    if last < first:
        raise InvalidInput("day_to must not lie before day_from", field="day_to")
    return DayRange(first, last)


def chosen_days(first: date | None, last: date | None, zone: str) -> DayRange:
    """The local days asked for; the whole recorded life where none are."""
    if first is None and last is None:
        return WHOLE_LIFE
    return day_range(first or FIRST_DAY, last, default_days=1, zone=zone)


ANY_PARAMETER: Final = frozenset({"/sign-on/return"})
"""Paths to which others send people, with parameters of their own."""


def known_parameters(routes: Iterable[APIRoute]) -> dict[tuple[str, str], frozenset[str]]:
    """The query parameters of each route, by (method, path)."""
    return {
        (method, route.path): frozenset(
            field.alias
            for field in get_flat_params(route.dependant)
            if isinstance(field.field_info, QueryField)
        )
        for route in routes
        if route.path not in ANY_PARAMETER
        for method in route.methods or ()
    }


async def only_known_parameters(request: Request) -> None:
    """Refuse a query parameter that the route does not have: a filter that is misspelt would answer for more than was asked."""
    known = request.app.state.parameters.get((request.method, request.scope["route"].path))
    strange = [] if known is None else sorted(set(request.query_params) - known)
    if strange:
        have = f"it has {', '.join(sorted(known))}" if known else "it has none"
        raise InvalidInput(f"there is no parameter {strange[0][:100]!r} here: {have}", field=strange[0][:100])
