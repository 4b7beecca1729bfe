"""Calls of the client about the record: coverage, findings, overloads, fault episodes, Pareto lists, the catalogue of status codes."""

from datetime import UTC, date, datetime

from dashboard.transport import Transport
from domain.answers import Page
from domain.clock_correction import ClockCorrectionAsked, ClockCorrectionRow
from domain.coverage_answers import CoverageAnswer
from domain.dossier import Dossier, DossierAsked, DossierChanges, DossierRow
from domain.exclusion import ExclusionAsked, ExclusionDone, ExclusionRow
from domain.fault_answers import (
    FaultEpisodeRow,
    FaultPareto,
    FaultsAndOverloadsAnswer,
    StatusCodeRow,
    StatusCodesAsked,
    StatusCodesImported,
)
from domain.findings import FindingCode, FindingRow
from domain.life_record import LifeRecordAnswer, LifeRecordAsked, LifeRecordCorrected, LifeRecordRow
from domain.overload import (
    OverloadCause,
    OverloadCount,
    OverloadDecisionAsked,
    OverloadEntry,
    OverloadRow,
    OverloadsDecided,
    OverloadsDecisionAsked,
    OverloadState,
)
from domain.quarantine import QuarantineRow, ReplayAsked, ReplayRow


class RecordCalls(Transport):
    """What is on record of cranes, and their faults."""

    async def coverage(
        self, name: str, *, day_from: date | None = None, day_to: date | None = None
    ) -> CoverageAnswer:
        """How much is on record, what is missing and why, and an estimate kept apart."""
        return await self._get(CoverageAnswer, f"/cranes/{name}/coverage", day_from=day_from, day_to=day_to)

    async def exclusions(
        self, name: str | None = None, *, cursor: str | None = None, limit: int = 200
    ) -> Page[ExclusionRow]:
        """Excluded spans of one crane, or of every crane in scope, newest first, withdrawn ones included."""
        path = "/exclusions" if name is None else f"/cranes/{name}/exclusions"
        return await self._get(Page[ExclusionRow], path, cursor=cursor, limit=limit)

    async def exclude(self, name: str, asked: ExclusionAsked) -> ExclusionDone:
        """Exclude a span of one channel or of all; the same again changes nothing."""
        return await self._post(ExclusionDone, f"/cranes/{name}/exclusions", asked)

    async def withdraw_exclusion(self, name: str, exclusion_id: int) -> ExclusionDone:
        """Withdraw an exclusion: its readings count again."""
        return await self._ask(ExclusionDone, "DELETE", f"/cranes/{name}/exclusions/{exclusion_id}")

    async def quarantine(self, *, cursor: str | None = None, limit: int = 200) -> Page[QuarantineRow]:
        """Rejected messages, newest first."""
        return await self._get(Page[QuarantineRow], "/quarantine", cursor=cursor, limit=limit)

    async def quarantine_replays(self) -> Page[ReplayRow]:
        """The newest requests to judge rejected messages again, and what became of them."""
        return await self._get(Page[ReplayRow], "/quarantine/replays")

    async def replay_quarantine(self, asked: ReplayAsked) -> ReplayRow:
        """Have ingest judge rejected messages again; the same while one waits changes nothing."""
        return await self._post(ReplayRow, "/quarantine/replays", asked)

    async def clock_corrections(
        self, *, cursor: str | None = None, limit: int = 200
    ) -> Page[ClockCorrectionRow]:
        """Corrections of the clocks of every crane in scope, newest first."""
        return await self._get(Page[ClockCorrectionRow], "/clock-corrections", cursor=cursor, limit=limit)

    async def clock_correction(self, name: str, correction_id: int) -> ClockCorrectionRow:
        """One correction, and whether it is in force."""
        return await self._get(ClockCorrectionRow, f"/cranes/{name}/clock-corrections/{correction_id}")

    async def correct_clock(self, name: str, asked: ClockCorrectionAsked) -> ClockCorrectionRow:
        """Correct the times of messages of one boot; the same again changes nothing."""
        return await self._post(ClockCorrectionRow, f"/cranes/{name}/clock-corrections", asked)

    async def withdraw_clock_correction(self, name: str, correction_id: int) -> ClockCorrectionRow:
        """Withdraw a correction: the messages get their own times again."""
        path = f"/cranes/{name}/clock-corrections/{correction_id}"
        return await self._ask(ClockCorrectionRow, "DELETE", path)

    async def overloads(
        self,
        name: str | None = None,
        *,
        state: OverloadState | None = None,
        cause: OverloadCause | None = None,
        day_from: date | None = None,
        day_to: date | None = None,
        cursor: str | None = None,
        limit: int = 200,
    ) -> Page[OverloadRow]:
        """The overload register of one crane, or of every crane in scope, newest lift first."""
        return await self._get(
            Page[OverloadRow],
            "/overloads" if name is None else f"/cranes/{name}/overloads",
            state=state,
            cause=cause,
            day_from=day_from,
            day_to=day_to,
            cursor=cursor,
            limit=limit,
        )

    async def overload_counts(self) -> Page[OverloadCount]:
        """How many overloads each crane in scope has, and how many are open."""
        return await self._get(Page[OverloadCount], "/overloads/counts")

    async def overload(self, name: str, at: datetime) -> tuple[OverloadEntry, str]:
        """The overload of the lift under way at a moment, and the tag by which a decision says what it was made upon."""
        return await self._tagged(OverloadEntry, f"/cranes/{name}/overloads/{_moment(at)}")

    async def decide_overload(
        self, name: str, at: datetime, asked: OverloadDecisionAsked, *, tag: str | None = None
    ) -> OverloadEntry:
        """Decide about an overload; with the tag of what was read, only where nobody else did since."""
        headers = {"content-type": "application/json", **({"if-match": tag} if tag else {})}
        return await self._ask(
            OverloadEntry,
            "PUT",
            f"/cranes/{name}/overloads/{_moment(at)}",
            content=asked.model_dump_json(),
            headers=headers,
        )

    async def life_records(self, name: str) -> Page[LifeRecordRow]:
        """Records of a crane's life as they stand, with their effect on the figures."""
        return await self._get(Page[LifeRecordRow], f"/cranes/{name}/life-records")

    async def life_record(self, name: str, record_id: int) -> LifeRecordAnswer:
        """One record with every version of it."""
        return await self._get(LifeRecordAnswer, f"/cranes/{name}/life-records/{record_id}")

    async def add_life_record(self, name: str, asked: LifeRecordAsked) -> LifeRecordAnswer:
        """Enter a record; one that says the same as one in force is that one."""
        return await self._post(LifeRecordAnswer, f"/cranes/{name}/life-records", asked)

    async def correct_life_record(
        self, name: str, record_id: int, asked: LifeRecordCorrected
    ) -> LifeRecordAnswer:
        """Correct a record; what it said before is kept."""
        body = {"content": asked.model_dump_json(), "headers": {"content-type": "application/json"}}
        return await self._ask(LifeRecordAnswer, "PUT", f"/cranes/{name}/life-records/{record_id}", **body)

    async def withdraw_life_record(self, name: str, record_id: int, reason: str) -> LifeRecordAnswer:
        """Withdraw a record, with a reason."""
        path = f"/cranes/{name}/life-records/{record_id}"
        return await self._ask(LifeRecordAnswer, "DELETE", path, params={"reason": reason})

    async def attach_life_record_file(
        self, name: str, record_id: int, file: str, content: bytes
    ) -> LifeRecordAnswer:
        """Attach a file to a record."""
        path = f"/cranes/{name}/life-records/{record_id}/files"
        return await self._ask(LifeRecordAnswer, "POST", path, files={"file": (file, content)})

    async def life_record_file(self, name: str, record_id: int, file_id: int) -> bytes:
        """The bytes of one file."""
        return (await self._send("GET", f"/cranes/{name}/life-records/{record_id}/files/{file_id}")).content

    async def decide_overloads(self, name: str, asked: OverloadsDecisionAsked) -> OverloadsDecided:
        """Decide alike about every open overload of a crane up to a peak."""
        return await self._post(OverloadsDecided, f"/cranes/{name}/overloads", asked)

    async def findings(
        self, name: str, *, day_from: date | None = None, day_to: date | None = None
    ) -> Page[FindingRow]:
        """What is wrong with the readings of a crane, by code and channel."""
        return await self._get(Page[FindingRow], f"/cranes/{name}/findings", day_from=day_from, day_to=day_to)

    async def findings_of_all(
        self,
        *,
        day_from: date | None = None,
        day_to: date | None = None,
        code: FindingCode | None = None,
        cursor: str | None = None,
        limit: int = 1000,
    ) -> Page[FindingRow]:
        """The same of every crane in scope, by crane and code."""
        return await self._get(
            Page[FindingRow],
            "/findings",
            day_from=day_from,
            day_to=day_to,
            code=code,
            cursor=cursor,
            limit=limit,
        )

    async def dossier_draft(self, name: str) -> Dossier:
        """The dossier of a crane for its special assessment, as of now."""
        return await self._get(Dossier, f"/cranes/{name}/dossier")

    async def finish_dossier(self, name: str, asked: DossierAsked) -> DossierRow:
        """Finish a dossier: it is kept as it is for good."""
        return await self._post(DossierRow, f"/cranes/{name}/dossiers", asked)

    async def dossiers(self, name: str, *, cursor: str | None = None, limit: int = 200) -> Page[DossierRow]:
        """Finished dossiers of a crane with their hashes, newest first."""
        return await self._get(Page[DossierRow], f"/cranes/{name}/dossiers", cursor=cursor, limit=limit)

    async def dossier(self, name: str, number: int) -> Dossier:
        """A finished dossier."""
        return await self._get(Dossier, f"/cranes/{name}/dossiers/{number}")

    async def dossier_changes(self, name: str, number: int, *, since: int | None = None) -> DossierChanges:
        """What changed up to a finished dossier, from the one before it or from another."""
        return await self._get(DossierChanges, f"/cranes/{name}/dossiers/{number}/changes", since=since)

    async def fault_episodes(
        self, name: str, time_from: datetime, time_to: datetime, *, repeat_days: int = 7
    ) -> Page[FaultEpisodeRow]:
        """Faults of a crane from raised to cleared, open ones first, with what it was doing."""
        return await self._get(
            Page[FaultEpisodeRow],
            f"/cranes/{name}/fault-episodes",
            **{"from": time_from, "to": time_to, "repeat_days": repeat_days},
        )

    async def fault_pareto(
        self, time_from: datetime, time_to: datetime, *, crane: str | None = None, repeat_days: int = 7
    ) -> FaultPareto:
        """Faults raised in a range by code and by crane, most first."""
        return await self._get(
            FaultPareto,
            "/faults/pareto",
            **{"from": time_from, "to": time_to, "crane": crane, "repeat_days": repeat_days},
        )

    async def faults_and_overloads(
        self, *, crane: str | None = None, day_from: date | None = None, day_to: date | None = None
    ) -> FaultsAndOverloadsAnswer:
        """Whether faults come on days with overloads, and how sure that is."""
        return await self._get(
            FaultsAndOverloadsAnswer, "/faults/overloads", crane=crane, day_from=day_from, day_to=day_to
        )

    async def status_codes(self) -> Page[StatusCodeRow]:
        """The imported catalogue of status codes."""
        return await self._get(Page[StatusCodeRow], "/status-codes")

    async def import_status_codes(self, asked: StatusCodesAsked) -> StatusCodesImported:
        """Enter a catalogue of status codes."""
        return await self._post(StatusCodesImported, "/status-codes", asked)


def _moment(at: datetime) -> str:
    """A moment as part of a path."""
    return at.astimezone(UTC).isoformat().replace("+00:00", "Z")
