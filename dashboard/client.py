"""Typed client of the api: the only way by which screens, scripts and notebooks reach the data.

    async with Client("http://127.0.0.1:8000/api/v1", token="...") as client:
        fleet = await client.fleet(days=30)

In one process with the api give it the app instead of a base URL: `Client(app=api)`. Same code, no socket.
"""

from collections.abc import AsyncIterator, Sequence
from datetime import date, datetime

from dashboard.client_alerts import AlertCalls
from dashboard.client_dispatch import DispatchCalls
from dashboard.client_record import RecordCalls
from dashboard.client_settings import SettingsCalls
from dashboard.transport import NotAllowed, Transport, session_headers
from domain.accounts import WhoAmI
from domain.answers import (
    ChartsAnswer,
    CraneDetail,
    CraneRow,
    EventRow,
    FaultRow,
    LiveAnswer,
    LiveChanges,
    Page,
    SamplesAnswer,
    SpectrumAnswer,
    SystemAnswer,
    Version,
    WorkingAreaAnswer,
)
from domain.fleet_answers import FleetAnswer, FleetWeeksAnswer
from domain.life_answers import DamageAnswer, FactorsAnswer, LifeAnswer, WhatIfAnswer
from domain.lift import Lift
from domain.maintenance import (
    CraneDayRow,
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
from domain.near_limit import MeasureName, NearLimitAnswer, NearLimitPlaces, NearLimitRanking, OverrideTrace
from domain.spectrum_answers import ConfigurationsAnswer, LedgerAnswer, SpectrumComparison

__all__ = ["Client", "NotAllowed", "session_headers"]


class Client(AlertCalls, DispatchCalls, RecordCalls, SettingsCalls, Transport):
    """Every answer of the api as a typed value; every problem as an error of domain.errors or NotAllowed."""

    async def version(self) -> Version:
        """What is running."""
        return await self._get(Version, "/version")

    async def system(self) -> SystemAnswer:
        """Whether the system itself works."""
        return await self._get(SystemAnswer, "/system")

    async def fleet(
        self,
        *,
        days: int = 30,
        day_from: date | None = None,
        day_to: date | None = None,
        rates: bool = True,
    ) -> FleetAnswer:
        """Every crane over a period: the last `days` local days, or the days given; with rates or in half the time."""
        return await self._get(
            FleetAnswer, "/fleet", days=days, day_from=day_from, day_to=day_to, rates=rates
        )

    async def fleet_weeks(self, *, weeks: int = 13, cranes: Sequence[str] = ()) -> FleetWeeksAnswer:
        """Near-limit share of the named cranes, else of every one, by ISO week up to the running one."""
        return await self._get(FleetWeeksAnswer, "/fleet/weeks", weeks=weeks, crane=list(cranes))

    async def cranes(self, *, cursor: str | None = None, limit: int = 200) -> Page[CraneRow]:
        """One page of cranes, by name."""
        return await self._get(Page[CraneRow], "/cranes", cursor=cursor, limit=limit)

    async def all_cranes(self) -> tuple[CraneRow, ...]:
        """Every crane, page after page."""
        rows: list[CraneRow] = []
        cursor: str | None = None
        while True:
            page = await self.cranes(cursor=cursor, limit=1000)
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
        """Last known values of every crane in scope."""
        return await self._get(LiveChanges, "/live")

    async def live_changes(self, *, wait_s: float = 20.0) -> AsyncIterator[LiveChanges]:
        """Every crane in scope at once, then each change as it is committed; nothing is polled in between.

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
        """Events in the range, newest first: of one crane, or of every crane in scope."""
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
        """Every open fault in scope, oldest first."""
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

    async def days_of(self, names: Sequence[str], *, day_from: date, day_to: date) -> Page[CraneDayRow]:
        """Figures by local day of several cranes."""
        return await self._get(
            Page[CraneDayRow], "/days", crane=list(names), day_from=day_from, day_to=day_to
        )

    async def near_limit_places(
        self, names: Sequence[str], *, day_from: date, day_to: date
    ) -> NearLimitPlaces:
        """Where several cranes spent most of their near-limit time."""
        return await self._get(
            NearLimitPlaces, "/near-limit/places", crane=list(names), day_from=day_from, day_to=day_to
        )

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

    async def service_of_all(self) -> Page[ServiceRow]:
        """Intervals of service of every crane in scope with their due days."""
        return await self._get(Page[ServiceRow], "/service")

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
        """Who is asking, with role and sites in scope."""
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

    async def ledger(
        self, name: str, *, day_from: date | None = None, day_to: date | None = None
    ) -> LedgerAnswer:
        """Counted cycles by class pair, and the open turning points."""
        return await self._get(LedgerAnswer, f"/cranes/{name}/ledger", day_from=day_from, day_to=day_to)

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

    async def spectrum_comparison(
        self, name: str, *, day_from: date | None = None, day_to: date | None = None
    ) -> SpectrumComparison:
        """The load spectrum beside that of the type, the fleet and the design."""
        return await self._get(
            SpectrumComparison, f"/cranes/{name}/spectrum/comparison", day_from=day_from, day_to=day_to
        )

    async def configurations(
        self, name: str, *, day_from: date | None = None, day_to: date | None = None
    ) -> ConfigurationsAnswer:
        """The load spectrum by spread of the stabilisers."""
        return await self._get(
            ConfigurationsAnswer, f"/cranes/{name}/spectrum/configurations", day_from=day_from, day_to=day_to
        )

    async def near_limit_ranking(
        self,
        *,
        by: MeasureName = "near_limit_lifts",
        days: int = 30,
        day_from: date | None = None,
        day_to: date | None = None,
    ) -> NearLimitRanking:
        """Cranes by how surely they work near their limit."""
        return await self._get(
            NearLimitRanking, "/near-limit", by=by, days=days, day_from=day_from, day_to=day_to
        )

    async def near_limit(
        self, name: str, *, days: int = 30, day_from: date | None = None, day_to: date | None = None
    ) -> NearLimitAnswer:
        """How a crane works near its limit, and under what circumstances."""
        return await self._get(
            NearLimitAnswer, f"/cranes/{name}/near-limit", days=days, day_from=day_from, day_to=day_to
        )

    async def override_trace(self, name: str, at: datetime) -> OverrideTrace:
        """One use of the limiter override with the 30 s before and after it."""
        return await self._get(OverrideTrace, f"/cranes/{name}/override-trace", at=at)

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
