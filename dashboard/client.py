"""Typed client of the api: the only way by which screens, scripts and notebooks reach the data.

    async with Client("http://127.0.0.1:8000/api/v1", token="...") as client:
        fleet = await client.fleet(days=30)

In one process with the api give it the app instead of a base URL: `Client(app=api)`. Same code, no socket.
"""

from collections.abc import AsyncIterator, Hashable, Mapping, Sequence
from contextvars import ContextVar
from datetime import date, datetime
from functools import cache
from types import TracebackType
from typing import Any, Self, TypeVar, cast

import httpx
import orjson
from pydantic import BaseModel, TypeAdapter, ValidationError

from domain.accounts import WhoAmI
from domain.answers import (
    ChartsAnswer,
    CraneDetail,
    CraneRow,
    DispatchAnswer,
    DispatchQuestion,
    EventRow,
    FaultRow,
    FleetAnswer,
    FleetWeeksAnswer,
    LifeAnswer,
    LiveAnswer,
    LiveChanges,
    Page,
    Problem,
    QuarantineRow,
    SamplesAnswer,
    SpectrumAnswer,
    Version,
    WorkingAreaAnswer,
)
from domain.errors import BoomledgerError, Conflict, InvalidInput, NotFound, Unavailable
from domain.life_answers import DamageAnswer, FactorsAnswer, WhatIfAnswer
from domain.lift import Lift
from domain.upkeep import (
    DayRow,
    DetailAsked,
    DetailEntry,
    GapRow,
    OpenFaultRow,
    OverrideRow,
    ServiceDoneAsked,
    ServiceDoneRow,
    ServicePlanAsked,
    ServiceRow,
)

Model = TypeVar("Model")

session_headers: ContextVar[Mapping[str, str] | None] = ContextVar("session_headers", default=None)
"""Headers (cookie, authorization) of the person on whose behalf the calls of this context are made."""


class NotAllowed(BoomledgerError):
    """The api refused: not signed in (401) or the role or site does not allow it (403)."""

    def __init__(self, problem: Problem) -> None:
        super().__init__(problem.detail or problem.title)
        self.problem = problem


class Client:
    """Every answer of the api as a typed value; every problem as an error of domain.errors or NotAllowed."""

    def __init__(
        self,
        base_url: str = "http://boomledger.local/api/v1",
        *,
        app: Any = None,
        token: str | None = None,
        timeout_s: float = 30.0,
    ) -> None:
        headers = {"accept": "application/json"}
        if token is not None:
            headers["authorization"] = f"Bearer {token}"
        self._http = httpx.AsyncClient(
            base_url=base_url if app is None else "http://127.0.0.1",
            transport=None if app is None else httpx.ASGITransport(app=app, client=("127.0.0.1", 0)),
            headers=headers,
            timeout=timeout_s,
        )

    async def __aenter__(self) -> Self:
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        await self.close()

    async def close(self) -> None:
        """Give the connections back."""
        await self._http.aclose()

    async def version(self) -> Version:
        """What is running."""
        return await self._get(Version, "/version")

    async def fleet(
        self, *, days: int = 30, day_from: date | None = None, day_to: date | None = None
    ) -> FleetAnswer:
        """Every crane over a period: the last `days` local days, or the days given."""
        return await self._get(FleetAnswer, "/fleet", days=days, day_from=day_from, day_to=day_to)

    async def fleet_weeks(self, *, weeks: int = 13) -> FleetWeeksAnswer:
        """Near-limit share of every crane by ISO week, up to the running one."""
        return await self._get(FleetWeeksAnswer, "/fleet/weeks", weeks=weeks)

    async def cranes(self, *, cursor: str | None = None, limit: int = 200) -> Page[CraneRow]:
        """One page of cranes, by name."""
        return await self._get(Page[CraneRow], "/cranes", cursor=cursor, limit=limit)

    async def all_cranes(self) -> tuple[CraneRow, ...]:
        """Every crane, page after page."""
        rows: list[CraneRow] = []
        cursor: str | None = None
        while True:
            page = await self.cranes(cursor=cursor, limit=500)
            rows.extend(page.items)
            cursor = page.next_cursor
            if cursor is None:
                return tuple(rows)

    async def crane(self, name: str) -> CraneDetail:
        """Everything known about one crane: geometry, ratings, design class, prior duty, site."""
        return await self._get(CraneDetail, f"/cranes/{name}")

    async def live(self, name: str) -> LiveAnswer:
        """Last known values of one crane, with their age."""
        return await self._get(LiveAnswer, f"/cranes/{name}/live")

    async def live_all(self) -> LiveChanges:
        """Last known values of every crane in sight."""
        return await self._get(LiveChanges, "/live")

    async def live_changes(self, *, wait_s: float = 20.0) -> AsyncIterator[LiveChanges]:
        """Every crane in sight at once, then each change as it is committed; nothing is polled in between.

        An answer without items comes after `wait_s` of silence, so that the caller may look whether to go on.
        """
        changes = await self.live_all()
        while True:
            yield changes
            changes = await self._get(LiveChanges, "/live", after=changes.version, wait_s=wait_s)

    async def samples(
        self,
        name: str,
        time_from: datetime,
        time_to: datetime,
        *,
        channels: Sequence[str] = ("utilisation_pct",),
        points: int = 2000,
    ) -> SamplesAnswer:
        """Recorded channels, at most `points` times of smallest and largest readings."""
        return await self._get(
            SamplesAnswer,
            f"/cranes/{name}/samples",
            **{"from": time_from, "to": time_to, "channels": ",".join(channels), "points": points},
        )

    async def lifts(
        self,
        name: str,
        time_from: datetime,
        time_to: datetime,
        *,
        cursor: str | None = None,
        limit: int = 500,
    ) -> Page[Lift]:
        """Lifts that started in the range, newest first."""
        return await self._get(
            Page[Lift],
            f"/cranes/{name}/lifts",
            **{"from": time_from, "to": time_to, "cursor": cursor, "limit": limit},
        )

    async def events(
        self,
        time_from: datetime,
        time_to: datetime,
        *,
        crane: str | None = None,
        kinds: Sequence[str] = (),
        cursor: str | None = None,
        limit: int = 500,
    ) -> Page[EventRow]:
        """Events in the range, newest first: of one crane, or of every crane in sight."""
        path = "/events" if crane is None else f"/cranes/{crane}/events"
        return await self._get(
            Page[EventRow],
            path,
            **{"from": time_from, "to": time_to, "kind": list(kinds), "cursor": cursor, "limit": limit},
        )

    async def faults(self, name: str, *, days: int = 90) -> Page[FaultRow]:
        """Status codes of one crane, open ones first."""
        return await self._get(Page[FaultRow], f"/cranes/{name}/faults", days=days)

    async def open_faults(self) -> Page[OpenFaultRow]:
        """Every open fault in sight, oldest first."""
        return await self._get(Page[OpenFaultRow], "/faults")

    async def overrides(self, name: str, time_from: datetime, time_to: datetime) -> Page[OverrideRow]:
        """Uses of the limiter override, newest first, with what the crane was doing."""
        return await self._get(
            Page[OverrideRow], f"/cranes/{name}/overrides", **{"from": time_from, "to": time_to}
        )

    async def days(
        self, name: str, *, day_from: date | None = None, day_to: date | None = None
    ) -> Page[DayRow]:
        """Figures by local day; the whole recorded life when no days are given."""
        return await self._get(Page[DayRow], f"/cranes/{name}/days", day_from=day_from, day_to=day_to)

    async def gaps(self, name: str, time_from: datetime, time_to: datetime) -> Page[GapRow]:
        """Time missing from the record, with causes."""
        return await self._get(Page[GapRow], f"/cranes/{name}/gaps", **{"from": time_from, "to": time_to})

    async def details(self, name: str) -> Page[DetailEntry]:
        """Weld details that apply to a crane."""
        return await self._get(Page[DetailEntry], f"/cranes/{name}/details")

    async def write_detail(self, name: str, detail: str, asked: DetailAsked) -> None:
        """Enter a weld detail for a crane."""
        await self._put(f"/cranes/{name}/details/{detail}", asked)

    async def service(self, name: str) -> Page[ServiceRow]:
        """Intervals of service of a crane with their due days."""
        return await self._get(Page[ServiceRow], f"/cranes/{name}/service")

    async def write_service_plan(self, name: str, plan: str, asked: ServicePlanAsked) -> None:
        """Enter an interval of service for a crane."""
        await self._put(f"/cranes/{name}/service/{plan}", asked)

    async def services_done(self, name: str) -> Page[ServiceDoneRow]:
        """Services done on a crane, newest first."""
        return await self._get(Page[ServiceDoneRow], f"/cranes/{name}/service-done")

    async def write_service_done(self, name: str, asked: ServiceDoneAsked) -> ServiceDoneRow:
        """Enter that a service was done."""
        return await self._post(ServiceDoneRow, f"/cranes/{name}/service-done", asked)

    async def me(self) -> WhoAmI:
        """Who is asking, with role and sites in sight."""
        return await self._get(WhoAmI, "/me")

    async def spectrum(
        self,
        name: str,
        *,
        day_from: date | None = None,
        day_to: date | None = None,
        residue_rule: str = "half_cycles",
        threshold_pct: float = 0.0,
    ) -> SpectrumAnswer:
        """Load spectrum over whole local days; the whole recorded life when no days are given."""
        return await self._get(
            SpectrumAnswer,
            f"/cranes/{name}/spectrum",
            day_from=day_from,
            day_to=day_to,
            residue_rule=residue_rule,
            threshold_pct=threshold_pct,
        )

    async def working_area(
        self, name: str, *, day_from: date | None = None, day_to: date | None = None
    ) -> WorkingAreaAnswer:
        """Where the crane worked, and where near its limit."""
        return await self._get(
            WorkingAreaAnswer, f"/cranes/{name}/working-area", day_from=day_from, day_to=day_to
        )

    async def life(self, name: str) -> LifeAnswer:
        """Used share of the design working period, damage by detail, forecast."""
        return await self._get(LifeAnswer, f"/cranes/{name}/life")

    async def what_if(
        self,
        name: str,
        *,
        duty_factor: float = 1.0,
        heavy_from_pct: float | None = None,
        moved_share: float = 1.0,
        to: str | None = None,
    ) -> WhatIfAnswer:
        """How long a crane would last with other work, or with its heavy lifts moved to another crane."""
        return await self._get(
            WhatIfAnswer,
            f"/cranes/{name}/life/what-if",
            duty_factor=duty_factor,
            heavy_from_pct=heavy_from_pct,
            moved_share=moved_share,
            to=to,
        )

    async def factors(self, name: str) -> FactorsAnswer:
        """What each safety factor would make of the counted duty."""
        return await self._get(FactorsAnswer, f"/cranes/{name}/life/factors")

    async def damage(
        self,
        name: str,
        *,
        detail: str | None = None,
        day_from: date | None = None,
        day_to: date | None = None,
    ) -> DamageAnswer:
        """Where the damage of a weld detail comes from, with its S-N curve to draw."""
        return await self._get(
            DamageAnswer, f"/cranes/{name}/life/damage", detail=detail, day_from=day_from, day_to=day_to
        )

    async def charts(self, name: str, *, on: date | None = None) -> ChartsAnswer:
        """Load charts in force."""
        return await self._get(ChartsAnswer, f"/cranes/{name}/charts", on=on)

    async def quarantine(self, *, cursor: str | None = None, limit: int = 200) -> Page[QuarantineRow]:
        """Messages set aside, newest first."""
        return await self._get(Page[QuarantineRow], "/quarantine", cursor=cursor, limit=limit)

    async def dispatch(self, question: DispatchQuestion) -> DispatchAnswer:
        """Which crane can take this job."""
        return await self._post(DispatchAnswer, "/dispatch", question)

    async def pdf(self, path: str, **query: object) -> bytes:
        """A report, such as `/cranes/{name}/report` or `/dispatch/lift-sheet`."""
        response = await self._http.get(
            path, params=_query(query), headers={**self._headers(), "accept": "application/pdf"}
        )
        _raise(response)
        return response.content

    async def _get(self, model: type[Model], path: str, **query: object) -> Model:
        return await self._ask(model, "GET", path, params=_query(query))

    async def _post(self, model: type[Model], path: str, body: BaseModel) -> Model:
        return await self._ask(
            model, "POST", path, content=body.model_dump_json(), headers={"content-type": "application/json"}
        )

    async def _put(self, path: str, body: BaseModel) -> None:
        headers = {"content-type": "application/json"}
        await self._send("PUT", path, content=body.model_dump_json(), headers=headers)

    async def _ask(self, model: type[Model], method: str, path: str, **request: Any) -> Model:
        response = await self._send(method, path, **request)
        read: Model = _adapter(cast("Hashable", model)).validate_json(response.content)
        return read

    async def _send(self, method: str, path: str, **request: Any) -> httpx.Response:
        headers = {**self._headers(), **request.pop("headers", {})}
        try:
            response = await self._http.request(method, path, headers=headers, **request)
        except httpx.TransportError as problem:
            raise Unavailable(
                f"the api at {self._http.base_url} did not answer: is `serve` running there?"
            ) from problem
        _raise(response)
        return response

    def _headers(self) -> dict[str, str]:
        return dict(session_headers.get() or {})


@cache
def _adapter(model: Hashable) -> TypeAdapter[Any]:
    return TypeAdapter(cast("Any", model))


def _query(values: Mapping[str, object]) -> httpx.QueryParams:
    pairs: list[tuple[str, str]] = []
    for name, value in values.items():
        many = value if isinstance(value, list) else [value]
        pairs.extend((name, _text(one)) for one in many if one is not None)
    return httpx.QueryParams(tuple(pairs))


def _text(value: object) -> str:
    return value.isoformat() if isinstance(value, date | datetime) else str(value)


def _raise(response: httpx.Response) -> None:
    if response.status_code < 400:
        return
    try:
        problem = Problem.model_validate(orjson.loads(response.content))
    except (orjson.JSONDecodeError, ValidationError):
        problem = Problem(
            title=response.reason_phrase, status=response.status_code, detail=response.text[:500]
        )
    text = problem.detail or problem.title
    match problem.status:
        case 401 | 403:
            raise NotAllowed(problem)
        case 404:
            raise NotFound(text)
        case 409:
            raise Conflict(text)
        case 400 | 413 | 415 | 422:
            raise InvalidInput(text, field=next(iter(problem.fields), None))
        case _:
            raise Unavailable(text)
