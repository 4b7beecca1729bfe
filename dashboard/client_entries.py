"""Calls of the client about what people enter: what stands there, what is new, changed or taken out. Each as its route and its signature."""

# mypy: disable-error-code="empty-body"

from collections.abc import Mapping
from datetime import datetime
from pathlib import Path
from typing import Any, Final

from dashboard.transport import Transport, call
from domain.accounts import (
    Account,
    AuditRow,
    KeptAnswer,
    NewToken,
    ResetLink,
    SessionRow,
    TokenMade,
    TokenRow,
    WhoAmI,
)
from domain.alerts import (
    Acknowledged,
    AlertDeliveryRow,
    AlertDetail,
    AlertRow,
    AlertRuleAsked,
    AlertRuleRow,
    AlertSummary,
    AlertTargetAsked,
    AlertTargetRow,
    Priority,
    Shelved,
)
from domain.answers import CraneDetail, Page
from domain.clock_correction import ClockCorrectionAsked, ClockCorrectionRow, ClockSuggestion
from domain.crane import CraneType, Site
from domain.description import DescriptionAsked, DescriptionDone, DescriptionEntry
from domain.dossier import DossierAsked, DossierRow
from domain.exclusion import ExclusionAsked, ExclusionDone, ExclusionRow
from domain.fault_answers import StatusCodeRow, StatusCodesAsked, StatusCodesImported
from domain.further_channel import FurtherChannelAsked, FurtherChannelRow
from domain.history import CounterReadingAsked, CountersAnswer, HistoryAsked, HistoryEntered, HistoryRow
from domain.job_answers import ChartsAsked, ChartsImported, ChartVersionRow, HoldAsked, ReservationRow
from domain.life_record import LifeRecordAnswer, LifeRecordAsked, LifeRecordCorrected, LifeRecordRow
from domain.maintenance import (
    DetailAsked,
    DetailEntry,
    ServiceDoneAsked,
    ServiceDoneRow,
    ServicePlanAsked,
    ServiceRow,
)
from domain.overload import (
    OverloadDecisionAsked,
    OverloadEntry,
    OverloadsDecided,
    OverloadsDecisionAsked,
)
from domain.quarantine import QuarantineRow, ReplayAsked, ReplayRow
from domain.registration import CraneChanged, CraneRegistration, CraneTypeRow
from domain.transfer_answers import ImportDone, ImportRow, ImportRunning

IMPORT_TIMEOUT_S: Final = 3600.0  # the api's own limits end an import sooner
Cursor = str | None


class Entries(Transport):
    """What people enter."""

    @call("GET", "/cranes/{name}/details")
    async def details(self, name: str) -> Page[DetailEntry]: ...

    @call("GET", "/cranes/{name}/service")
    async def service(self, name: str) -> Page[ServiceRow]: ...

    @call("GET", "/service")
    async def service_of_all(self) -> Page[ServiceRow]: ...

    @call("GET", "/cranes/{name}/service-done")
    async def services_done(self, name: str) -> Page[ServiceDoneRow]: ...

    @call("GET", "/me")
    async def me(self) -> WhoAmI: ...

    @call("GET", "/alerts")
    async def alerts(
        self,
        *,
        crane: str | None = None,
        open_only: bool = False,
        priority: Priority | None = None,
        cursor: Cursor = None,
        limit: int = 200,
    ) -> Page[AlertRow]: ...

    @call("GET", "/alerts/summary")
    async def alert_summary(self) -> AlertSummary: ...

    @call("GET", "/alerts/{alert_id}")
    async def alert(self, alert_id: int) -> AlertDetail: ...

    @call("GET", "/alert-rules")
    async def alert_rules(self, *, cursor: Cursor = None, limit: int = 200) -> Page[AlertRuleRow]: ...

    @call("GET", "/alert-targets")
    async def alert_targets(self, *, cursor: Cursor = None, limit: int = 200) -> Page[AlertTargetRow]: ...

    @call("GET", "/alert-deliveries")
    async def alert_deliveries(
        self, *, cursor: Cursor = None, limit: int = 200
    ) -> Page[AlertDeliveryRow]: ...

    @call("GET", "/cranes/{crane}/chart-versions")
    async def chart_versions(self, crane: str) -> tuple[ChartVersionRow, ...]: ...

    @call("GET", "/cranes/{name}/exclusions", "/exclusions")
    async def exclusions(
        self, name: str | None = None, *, cursor: Cursor = None, limit: int = 200
    ) -> Page[ExclusionRow]: ...

    @call("GET", "/channels")
    async def channels(self, *, cursor: Cursor = None, limit: int = 200) -> Page[FurtherChannelRow]: ...

    @call("GET", "/cranes/{name}/channels")
    async def crane_channels(self, name: str) -> Page[FurtherChannelRow]: ...

    @call("GET", "/quarantine")
    async def quarantine(self, *, cursor: Cursor = None, limit: int = 200) -> Page[QuarantineRow]: ...

    @call("GET", "/quarantine/replays")
    async def quarantine_replays(self) -> Page[ReplayRow]: ...

    @call("GET", "/clock-corrections")
    async def clock_corrections(
        self, *, cursor: Cursor = None, limit: int = 200
    ) -> Page[ClockCorrectionRow]: ...

    @call("GET", "/cranes/{name}/clock-corrections/{correction_id}")
    async def clock_correction(self, name: str, correction_id: int) -> ClockCorrectionRow: ...

    @call("GET", "/cranes/{name}/clock-suggestions")
    async def clock_suggestions(self, name: str) -> Page[ClockSuggestion]: ...

    @call("GET", "/cranes/{name}/life-records")
    async def life_records(self, name: str) -> Page[LifeRecordRow]: ...

    @call("GET", "/cranes/{name}/life-records/{record_id}")
    async def life_record(self, name: str, record_id: int) -> LifeRecordAnswer: ...

    @call("GET", "/status-codes")
    async def status_codes(self) -> Page[StatusCodeRow]: ...

    @call("GET", "/sites")
    async def sites(self) -> Page[Site]: ...

    @call("GET", "/crane-types")
    async def crane_types(self, *, cursor: Cursor = None, limit: int = 1000) -> Page[CraneTypeRow]: ...

    @call("GET", "/crane-types/{name}")
    async def crane_type(self, name: str) -> CraneType: ...

    @call("GET", "/life-history")
    async def histories(self) -> Page[HistoryRow]: ...

    @call("GET", "/cranes/{crane}/counters")
    async def counters(self, crane: str) -> CountersAnswer: ...

    @call("GET", "/cranes/{name}/descriptions")
    async def descriptions(self, name: str) -> Page[DescriptionEntry]: ...

    @call("GET", "/imports/running")
    async def running_import(self) -> ImportRunning: ...

    @call("GET", "/imports")
    async def imports(self, *, cursor: Cursor = None, limit: int = 20) -> Page[ImportRow]: ...

    @call("GET", "/audit")
    async def audit(
        self, *, reads: bool = True, cursor: Cursor = None, limit: int = 200
    ) -> Page[AuditRow]: ...

    @call("GET", "/cranes/{name}/life-records/{record_id}/files/{file_id}")
    async def life_record_file(self, name: str, record_id: int, file_id: int) -> bytes: ...

    @call("GET", "/users")
    async def users(self, *, limit: int = 500) -> Page[Account]: ...

    @call("GET", "/users/{account}/kept", "/me/kept")
    async def kept(self, account: str | None = None) -> KeptAnswer: ...

    @call("GET", "/tokens")
    async def tokens(self, *, everyone: bool | None = None, limit: int = 500) -> Page[TokenRow]: ...

    @call("GET", "/sessions")
    async def sessions(self, *, limit: int = 500) -> Page[SessionRow]: ...

    async def crane_with_tag(self, name: str) -> tuple[CraneDetail, str]:
        """One crane as it is entered, and the tag by which a change says what it was made upon."""
        return await self._tagged(CraneDetail, f"/cranes/{name}")

    @call("PUT", "/cranes/{name}/details/{detail}")
    async def write_detail(self, name: str, detail: str, asked: DetailAsked) -> None: ...

    @call("PUT", "/cranes/{name}/service/{plan}")
    async def write_service_plan(self, name: str, plan: str, asked: ServicePlanAsked) -> None: ...

    @call("POST", "/cranes/{name}/service-done")
    async def write_service_done(self, name: str, asked: ServiceDoneAsked) -> ServiceDoneRow: ...

    @call("PUT", "/alerts/{alert_id}/shelf")
    async def shelve_alert(self, alert_id: int, asked: Shelved) -> AlertDetail: ...

    @call("DELETE", "/alerts/{alert_id}/shelf")
    async def unshelve_alert(self, alert_id: int) -> None: ...

    @call("PUT", "/alert-rules/{name}")
    async def write_alert_rule(self, name: str, asked: AlertRuleAsked) -> None: ...

    @call("DELETE", "/alert-rules/{name}")
    async def drop_alert_rule(self, name: str) -> None: ...

    @call("PUT", "/alert-targets/{name}")
    async def write_alert_target(self, name: str, asked: AlertTargetAsked) -> None: ...

    @call("DELETE", "/alert-targets/{name}")
    async def drop_alert_target(self, name: str) -> None: ...

    @call("POST", "/alert-targets/{name}/trial")
    async def try_alert_target(self, name: str) -> None: ...

    @call("POST", "/reservations")
    async def hold(self, asked: HoldAsked) -> ReservationRow: ...

    @call("DELETE", "/reservations/{reservation_id}")
    async def release(self, reservation_id: int) -> ReservationRow: ...

    @call("POST", "/cranes/{crane}/chart-versions")
    async def import_charts(self, crane: str, asked: ChartsAsked) -> ChartsImported: ...

    @call("POST", "/cranes/{name}/exclusions")
    async def exclude(self, name: str, asked: ExclusionAsked) -> ExclusionDone: ...

    @call("DELETE", "/cranes/{name}/exclusions/{exclusion_id}")
    async def withdraw_exclusion(self, name: str, exclusion_id: int) -> ExclusionDone: ...

    @call("PUT", "/channels/{channel}")
    async def register_channel(self, channel: str, asked: FurtherChannelAsked) -> FurtherChannelRow: ...

    @call("PUT", "/cranes/{name}/channels/{channel}")
    async def register_crane_channel(
        self, name: str, channel: str, asked: FurtherChannelAsked
    ) -> FurtherChannelRow: ...

    @call("DELETE", "/channels/{channel}")
    async def withdraw_channel(self, channel: str) -> FurtherChannelRow: ...

    @call("DELETE", "/cranes/{name}/channels/{channel}")
    async def withdraw_crane_channel(self, name: str, channel: str) -> FurtherChannelRow: ...

    @call("POST", "/quarantine/replays")
    async def replay_quarantine(self, asked: ReplayAsked) -> ReplayRow: ...

    @call("POST", "/cranes/{name}/clock-corrections")
    async def correct_clock(self, name: str, asked: ClockCorrectionAsked) -> ClockCorrectionRow: ...

    @call("DELETE", "/cranes/{name}/clock-corrections/{correction_id}")
    async def withdraw_clock_correction(self, name: str, correction_id: int) -> ClockCorrectionRow: ...

    @call("POST", "/cranes/{name}/life-records")
    async def add_life_record(self, name: str, asked: LifeRecordAsked) -> LifeRecordAnswer: ...

    @call("DELETE", "/cranes/{name}/life-records/{record_id}")
    async def withdraw_life_record(self, name: str, record_id: int, reason: str) -> LifeRecordAnswer: ...

    @call("POST", "/cranes/{name}/overloads")
    async def decide_overloads(self, name: str, asked: OverloadsDecisionAsked) -> OverloadsDecided: ...

    @call("POST", "/cranes/{name}/dossiers")
    async def finish_dossier(self, name: str, asked: DossierAsked) -> DossierRow: ...

    @call("POST", "/status-codes")
    async def import_status_codes(self, asked: StatusCodesAsked) -> StatusCodesImported: ...

    @call("DELETE", "/cranes/{crane}/details/{detail}")
    async def drop_detail(self, crane: str, detail: str) -> None: ...

    @call("DELETE", "/cranes/{crane}/service/{plan}")
    async def drop_service_plan(self, crane: str, plan: str) -> None: ...

    @call("POST", "/cranes")
    async def register_crane(self, wanted: CraneRegistration) -> CraneDetail: ...

    @call("POST", "/life-history")
    async def enter_histories(self, asked: HistoryAsked) -> HistoryEntered: ...

    @call("POST", "/cranes/{crane}/counters")
    async def enter_counter(self, crane: str, asked: CounterReadingAsked) -> CountersAnswer: ...

    @call("DELETE", "/cranes/{crane}/counters/{reading_id}")
    async def drop_counter(self, crane: str, reading_id: int) -> None: ...

    @call("POST", "/cranes/{name}/descriptions")
    async def describe(self, name: str, asked: DescriptionAsked) -> DescriptionDone: ...

    @call("PUT", "/cranes/{name}/descriptions/{valid_from}")
    async def correct_description(
        self, name: str, valid_from: str, asked: DescriptionAsked
    ) -> DescriptionDone: ...

    @call("DELETE", "/cranes/{name}/descriptions/{valid_from}")
    async def drop_description(self, name: str, valid_from: str) -> DescriptionDone: ...

    @call("DELETE", "/imports/running")
    async def cancel_import(self) -> ImportRunning: ...

    @call("POST", "/tokens")
    async def make_token(self, asked: NewToken) -> TokenMade: ...

    @call("DELETE", "/tokens/{token_id}")
    async def revoke_token(self, token_id: int) -> None: ...

    @call("DELETE", "/sessions/{session_id}")
    async def end_session(self, session_id: int) -> None: ...

    @call("PUT", "/cranes/{name}/overloads/{at}")
    async def decide_overload(
        self, name: str, at: datetime, asked: OverloadDecisionAsked, *, tag: str | None = None
    ) -> OverloadEntry: ...

    @call("PUT", "/cranes/{name}/life-records/{record_id}")
    async def correct_life_record(
        self, name: str, record_id: int, asked: LifeRecordCorrected
    ) -> LifeRecordAnswer: ...

    @call("PUT", "/cranes/{name}")
    async def change_crane(
        self, name: str, asked: CraneRegistration, *, tag: str | None = None
    ) -> CraneChanged: ...

    @call("POST", "/users")
    async def add_user(self, asked: Mapping[str, Any]) -> Account: ...

    @call("POST", "/users/{name}/reset-link")
    async def make_reset_link(self, name: str) -> ResetLink: ...

    @call("PATCH", "/users/{name}")
    async def change_user(self, name: str, asked: Mapping[str, Any]) -> Account: ...

    async def acknowledge_alert(self, alert_id: int, note: str = "") -> AlertDetail:
        """Say that you have it."""
        return await self._post(AlertDetail, f"/alerts/{alert_id}/acknowledgement", Acknowledged(note=note))

    async def attach_life_record_file(
        self, name: str, record_id: int, file: str, content: bytes
    ) -> LifeRecordAnswer:
        """Attach a file to a record."""
        path = f"/cranes/{name}/life-records/{record_id}/files"
        return await self._ask(LifeRecordAnswer, "POST", path, files={"file": (file, content)})

    async def import_file(
        self, file: Path, *, mapping: str | None = None, dry_run: bool = False, skip_bad: bool = False
    ) -> ImportDone:
        """Store samples or events of a CSV or Parquet file. mapping: TOML; left out for the columns of an export."""
        flags = {"dry_run": dry_run, "skip_bad": skip_bad}
        with file.open("rb") as opened:
            return await self._ask(
                ImportDone,
                "POST",
                "/imports",
                params={name: str(value).lower() for name, value in flags.items()},
                files={"file": (file.name, opened)},
                data={"mapping": mapping} if mapping else None,
                timeout=IMPORT_TIMEOUT_S,
            )
