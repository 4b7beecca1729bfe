"""Typed client of the api: the only way by which screens, scripts and notebooks reach the data.

    async with Client("http://127.0.0.1:8000/api/v1", token="...") as client:
        fleet = await client.fleet(days=30)

In one process with the api give it the app instead of a base URL: `Client(app=api)`. Same code, no socket. A call stands here as its
route and its signature (`transport.call`); what it answers, docs/api.md tells by route. What is entered: `client_entries`.
"""

# mypy: disable-error-code="empty-body"

from collections.abc import AsyncIterator, Sequence
from datetime import date, datetime

from dashboard.client_entries import Entries
from dashboard.transport import NotAllowed, call, path_text, session_headers
from domain.answers import (
    ChartsAnswer,
    CraneDetail,
    CraneRow,
    EventRow,
    FaultRow,
    Lift,
    LiveAnswer,
    LiveChanges,
    Page,
    SamplesAnswer,
    SpectrumAnswer,
    SystemAnswer,
    Version,
    WorkingAreaAnswer,
)
from domain.coverage_answers import CoverageAnswer
from domain.dispatch_answers import DispatchAnswer, DispatchQuestion
from domain.dossier import Dossier, DossierChanges, DossierRow
from domain.drawing_answers import DrawingAnswer, LiftDrawing, LiftDrawingAsked, PosesAnswer
from domain.fault_answers import FaultEpisodeRow, FaultPareto, FaultsAndOverloadsAnswer
from domain.findings import FindingCode, FindingRow
from domain.fleet_answers import FleetAnswer, FleetWeeksAnswer
from domain.job_answers import (
    AssignmentAnswer,
    AssignmentAsked,
    LevellingAnswer,
    MeasuredAnswer,
    ReservationRow,
    SheetAsked,
)
from domain.life_answers import DamageAnswer, FactorsAnswer, LifeAnswer, WhatIfAnswer
from domain.maintenance import (
    CraneDayRow,
    DayRow,
    GapRow,
    OpenFaultRow,
    OverrideRow,
)
from domain.near_limit import MeasureName, NearLimitAnswer, NearLimitPlaces, NearLimitRanking, OverrideTrace
from domain.overload import OverloadCause, OverloadCount, OverloadEntry, OverloadRow, OverloadState
from domain.spectrum_answers import ConfigurationsAnswer, LedgerAnswer, SpectrumComparison

__all__ = ["Client", "NotAllowed", "session_headers"]
Day = date | None
Cursor = str | None


class Client(Entries):
    """Every answer of the api as a typed value; every problem as an error of domain.errors or NotAllowed."""

    @call("GET", "/version")
    async def version(self) -> Version: ...

    @call("GET", "/system")
    async def system(self) -> SystemAnswer: ...

    @call("GET", "/fleet")
    async def fleet(
        self, *, days: int = 30, day_from: Day = None, day_to: Day = None, rates: bool = True
    ) -> FleetAnswer: ...

    @call("GET", "/fleet/weeks")
    async def fleet_weeks(self, *, weeks: int = 13, cranes: Sequence[str] = ()) -> FleetWeeksAnswer: ...

    @call("GET", "/cranes")
    async def cranes(self, *, cursor: Cursor = None, limit: int = 200) -> Page[CraneRow]: ...

    @call("GET", "/cranes/{name}")
    async def crane(self, name: str) -> CraneDetail: ...

    @call("GET", "/cranes/{name}/live")
    async def live(self, name: str) -> LiveAnswer: ...

    @call("GET", "/live")
    async def live_all(self) -> LiveChanges: ...

    @call("GET", "/cranes/{name}/lifts")
    async def lifts(
        self, name: str, time_from: datetime, time_to: datetime, *, cursor: Cursor = None, limit: int = 500
    ) -> Page[Lift]: ...

    @call("GET", "/cranes/{crane}/events", "/events")
    async def events(
        self,
        time_from: datetime,
        time_to: datetime,
        *,
        crane: str | None = None,
        kinds: Sequence[str] = (),
        cursor: Cursor = None,
        limit: int = 500,
    ) -> Page[EventRow]: ...

    @call("GET", "/cranes/{name}/faults")
    async def faults(self, name: str, *, days: int = 90) -> Page[FaultRow]: ...

    @call("GET", "/faults")
    async def open_faults(self) -> Page[OpenFaultRow]: ...

    @call("GET", "/cranes/{name}/overrides")
    async def overrides(self, name: str, time_from: datetime, time_to: datetime) -> Page[OverrideRow]: ...

    @call("GET", "/cranes/{name}/days")
    async def days(self, name: str, *, day_from: Day = None, day_to: Day = None) -> Page[DayRow]: ...

    @call("GET", "/days")
    async def days_of(self, names: Sequence[str], *, day_from: date, day_to: date) -> Page[CraneDayRow]: ...

    @call("GET", "/near-limit/places")
    async def near_limit_places(
        self, names: Sequence[str], *, day_from: date, day_to: date
    ) -> NearLimitPlaces: ...

    @call("GET", "/cranes/{name}/gaps")
    async def gaps(self, name: str, time_from: datetime, time_to: datetime) -> Page[GapRow]: ...

    @call("GET", "/cranes/{name}/spectrum")
    async def spectrum(
        self,
        name: str,
        *,
        day_from: Day = None,
        day_to: Day = None,
        residue_rule: str = "half_cycles",
        threshold_pct: float = 0.0,
    ) -> SpectrumAnswer: ...

    @call("GET", "/cranes/{name}/ledger")
    async def ledger(self, name: str, *, day_from: Day = None, day_to: Day = None) -> LedgerAnswer: ...

    @call("GET", "/cranes/{name}/working-area")
    async def working_area(
        self, name: str, *, day_from: Day = None, day_to: Day = None
    ) -> WorkingAreaAnswer: ...

    @call("GET", "/cranes/{name}/life")
    async def life(self, name: str) -> LifeAnswer: ...

    @call("GET", "/cranes/{name}/spectrum/comparison")
    async def spectrum_comparison(
        self, name: str, *, day_from: Day = None, day_to: Day = None
    ) -> SpectrumComparison: ...

    @call("GET", "/cranes/{name}/spectrum/configurations")
    async def configurations(
        self, name: str, *, day_from: Day = None, day_to: Day = None
    ) -> ConfigurationsAnswer: ...

    @call("GET", "/near-limit")
    async def near_limit_ranking(
        self,
        *,
        by: MeasureName = "near_limit_lifts",
        days: int = 30,
        day_from: Day = None,
        day_to: Day = None,
    ) -> NearLimitRanking: ...

    @call("GET", "/cranes/{name}/near-limit")
    async def near_limit(
        self, name: str, *, days: int = 30, day_from: Day = None, day_to: Day = None
    ) -> NearLimitAnswer: ...

    @call("GET", "/cranes/{name}/override-trace")
    async def override_trace(self, name: str, at: datetime) -> OverrideTrace: ...

    @call("GET", "/cranes/{name}/life/what-if")
    async def what_if(
        self,
        name: str,
        *,
        duty_factor: float = 1.0,
        heavy_from_pct: float | None = None,
        moved_share: float = 1.0,
        to: str | None = None,
    ) -> WhatIfAnswer: ...

    @call("GET", "/cranes/{name}/life/factors")
    async def factors(self, name: str) -> FactorsAnswer: ...

    @call("GET", "/cranes/{name}/life/damage")
    async def damage(
        self, name: str, *, detail: str | None = None, day_from: Day = None, day_to: Day = None
    ) -> DamageAnswer: ...

    @call("GET", "/cranes/{name}/charts")
    async def charts(self, name: str, *, on: Day = None) -> ChartsAnswer: ...

    @call("POST", "/dispatch")
    async def dispatch(self, question: DispatchQuestion) -> DispatchAnswer: ...

    @call("GET", "/reservations/{reservation_id}")
    async def reservation(self, reservation_id: int) -> ReservationRow: ...

    @call("GET", "/reservations")
    async def reservations(
        self, time_from: datetime, time_to: datetime, *, crane: str | None = None, with_released: bool = False
    ) -> Page[ReservationRow]: ...

    @call("POST", "/dispatch/assignment")
    async def assign(self, asked: AssignmentAsked) -> AssignmentAnswer: ...

    @call("GET", "/dispatch/levelling")
    async def levelling(self, *, days: int = 90) -> LevellingAnswer: ...

    @call("GET", "/cranes/{crane}/planned-and-measured", "/dispatch/planned-and-measured")
    async def planned_and_measured(self, *, crane: str | None = None, days: int = 366) -> MeasuredAnswer: ...

    @call("GET", "/cranes/{crane}/drawing")
    async def drawing(self, crane: str, *, on: Day = None) -> DrawingAnswer: ...

    @call("GET", "/cranes/{crane}/poses")
    async def poses(
        self, crane: str, time_from: datetime, time_to: datetime, *, points: int
    ) -> PosesAnswer: ...

    @call("POST", "/dispatch/drawing")
    async def lift_drawing(self, asked: LiftDrawingAsked) -> LiftDrawing: ...

    @call("GET", "/cranes/{name}/coverage")
    async def coverage(self, name: str, *, day_from: Day = None, day_to: Day = None) -> CoverageAnswer: ...

    @call("GET", "/overloads/counts")
    async def overload_counts(self) -> Page[OverloadCount]: ...

    @call("GET", "/cranes/{name}/findings")
    async def findings(self, name: str, *, day_from: Day = None, day_to: Day = None) -> Page[FindingRow]: ...

    @call("GET", "/findings")
    async def findings_of_all(
        self,
        *,
        day_from: Day = None,
        day_to: Day = None,
        code: FindingCode | None = None,
        cursor: Cursor = None,
        limit: int = 1000,
    ) -> Page[FindingRow]: ...

    @call("GET", "/cranes/{name}/dossier")
    async def dossier_draft(self, name: str) -> Dossier: ...

    @call("GET", "/cranes/{name}/dossiers")
    async def dossiers(self, name: str, *, cursor: Cursor = None, limit: int = 200) -> Page[DossierRow]: ...

    @call("GET", "/cranes/{name}/dossiers/{number}")
    async def dossier(self, name: str, number: int) -> Dossier: ...

    @call("GET", "/cranes/{name}/dossiers/{number}/changes")
    async def dossier_changes(
        self, name: str, number: int, *, since: int | None = None
    ) -> DossierChanges: ...

    @call("GET", "/cranes/{name}/fault-episodes")
    async def fault_episodes(
        self, name: str, time_from: datetime, time_to: datetime, *, repeat_days: int = 7
    ) -> Page[FaultEpisodeRow]: ...

    @call("GET", "/faults/pareto")
    async def fault_pareto(
        self, time_from: datetime, time_to: datetime, *, crane: str | None = None, repeat_days: int = 7
    ) -> FaultPareto: ...

    @call("GET", "/faults/overloads")
    async def faults_and_overloads(
        self, *, crane: str | None = None, day_from: Day = None, day_to: Day = None
    ) -> FaultsAndOverloadsAnswer: ...

    @call("GET", "/cranes/{name}/overloads", "/overloads")
    async def overloads(
        self,
        name: str | None = None,
        *,
        state: OverloadState | None = None,
        cause: OverloadCause | None = None,
        day_from: Day = None,
        day_to: Day = None,
        cursor: Cursor = None,
        limit: int = 200,
    ) -> Page[OverloadRow]: ...

    @call("POST", "/dispatch/lift-sheet")
    async def lift_sheet(self, asked: SheetAsked) -> bytes: ...

    async def overload(self, name: str, at: datetime) -> tuple[OverloadEntry, str]:
        """The overload of the lift under way at a moment, and the tag by which a decision says what it was made upon."""
        return await self._tagged(OverloadEntry, f"/cranes/{name}/overloads/{path_text(at)}")

    async def samples(
        self,
        name: str,
        time_from: datetime,
        time_to: datetime,
        *,
        channels: Sequence[str] = ("utilisation_pct",),
        points: int = 2000,
        further: bool = False,
    ) -> SamplesAnswer:
        """Recorded channels, at most `points` times of smallest and largest readings. further: also those registered for the crane."""
        asked = {"from": time_from, "to": time_to, "channels": ",".join(channels), "points": points}
        return await self._get(SamplesAnswer, f"/cranes/{name}/samples", **asked, further=further)

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

    async def live_changes(self, *, wait_s: float = 20.0) -> AsyncIterator[LiveChanges]:
        """Every crane in scope at once, then each change as it is committed; nothing is polled in between.

        An answer without items comes after `wait_s` of silence, so that the caller may look whether to go on.
        """
        changes = await self.live_all()
        while True:
            yield changes
            changes = await self._get(LiveChanges, "/live", after=changes.version, wait_s=wait_s)
