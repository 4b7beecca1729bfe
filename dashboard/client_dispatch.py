"""Calls of the client about dispatch: matching, reservations, load charts, a day's list, levelling, lift sheets."""

from datetime import date, datetime

from dashboard.transport import Transport
from domain.answers import Page
from domain.dispatch_answers import DispatchAnswer, DispatchQuestion
from domain.drawing_answers import DrawingAnswer, LiftDrawing, LiftDrawingAsked, PosesAnswer
from domain.job_answers import (
    AssignmentAnswer,
    AssignmentAsked,
    ChartsAsked,
    ChartsImported,
    ChartVersionRow,
    HoldAsked,
    LevellingAnswer,
    MeasuredAnswer,
    ReservationRow,
    SheetAsked,
)


class DispatchCalls(Transport):
    """Which crane for which job, and who holds it when."""

    async def dispatch(self, question: DispatchQuestion) -> DispatchAnswer:
        """Which cranes can take this job."""
        return await self._post(DispatchAnswer, "/dispatch", question)

    async def hold(self, asked: HoldAsked) -> ReservationRow:
        """Hold a crane for a time. Conflict where somebody was quicker."""
        return await self._post(ReservationRow, "/reservations", asked)

    async def release(self, reservation_id: int) -> ReservationRow:
        """Give a crane back."""
        return await self._ask(ReservationRow, "DELETE", f"/reservations/{reservation_id}")

    async def reservation(self, reservation_id: int) -> ReservationRow:
        """One reservation with its job and what was planned."""
        return await self._get(ReservationRow, f"/reservations/{reservation_id}")

    async def reservations(
        self,
        time_from: datetime,
        time_to: datetime,
        *,
        crane: str | None = None,
        with_released: bool = False,
    ) -> Page[ReservationRow]:
        """Reservations that touch a range, in time order."""
        return await self._get(
            Page[ReservationRow],
            "/reservations",
            **{"from": time_from, "to": time_to, "crane": crane, "with_released": with_released},
        )

    async def assign(self, asked: AssignmentAsked) -> AssignmentAnswer:
        """Cranes for a day's list."""
        return await self._post(AssignmentAnswer, "/dispatch/assignment", asked)

    async def levelling(self, *, days: int = 90) -> LevellingAnswer:
        """Which cranes should take lighter work."""
        return await self._get(LevellingAnswer, "/dispatch/levelling", days=days)

    async def planned_and_measured(self, *, crane: str | None = None, days: int = 366) -> MeasuredAnswer:
        """Reservations that are over, planned against measured: of one crane, or of every crane in scope."""
        path = "/dispatch/planned-and-measured" if crane is None else f"/cranes/{crane}/planned-and-measured"
        return await self._get(MeasuredAnswer, path, days=days)

    async def chart_versions(self, crane: str) -> tuple[ChartVersionRow, ...]:
        """Every version of load charts entered for a crane or its type, newest first."""
        return await self._get(tuple[ChartVersionRow, ...], f"/cranes/{crane}/chart-versions")

    async def import_charts(self, crane: str, asked: ChartsAsked) -> ChartsImported:
        """Check load charts in CSV, and enter them unless only the check was asked for."""
        return await self._post(ChartsImported, f"/cranes/{crane}/chart-versions", asked)

    async def drawing(self, crane: str, *, on: date | None = None) -> DrawingAnswer:
        """A crane for drawing: outline, last known position, lines of its charts on a day."""
        return await self._get(DrawingAnswer, f"/cranes/{crane}/drawing", on=on)

    async def poses(self, crane: str, time_from: datetime, time_to: datetime, *, points: int) -> PosesAnswer:
        """Positions of a crane over a range, for playing back."""
        return await self._get(
            PosesAnswer, f"/cranes/{crane}/poses", **{"from": time_from, "to": time_to, "points": points}
        )

    async def lift_drawing(self, asked: LiftDrawingAsked) -> LiftDrawing:
        """One crane at one job, for drawing."""
        return await self._post(LiftDrawing, "/dispatch/drawing", asked)

    async def lift_sheet(self, asked: SheetAsked) -> bytes:
        """The lift sheet (PDF) of one crane for one job."""
        response = await self._send(
            "POST",
            "/dispatch/lift-sheet",
            content=asked.model_dump_json(),
            headers={"content-type": "application/json", "accept": "application/pdf"},
        )
        return response.content
