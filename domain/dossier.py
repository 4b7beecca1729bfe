"""The dossier of one crane for its special assessment: what it holds, what is kept of a finished one, what changed since."""

from typing import Any, Final, Literal

from pydantic import AwareDatetime, Field

from domain.answers import Answer, SpectrumAnswer
from domain.coverage_answers import CoverageAnswer
from domain.crane import Crane, Site
from domain.description import DescriptionEntry
from domain.exclusion import ExclusionRow
from domain.findings import FindingRow
from domain.history import CountersAnswer
from domain.life_answers import LifeAnswer
from domain.life_record import LifeRecordRow
from domain.maintenance import DetailEntry, ServiceDoneRow
from domain.overload import OverloadRow

SINCE_DESCRIPTION: Final = "number of an earlier finished dossier; left out: the one before"


class DossierAsked(Answer, extra="forbid"):
    """What is said with a dossier when it is finished."""

    note: str = Field(
        default="",
        max_length=500,
        pattern=r"^[^\x00]*$",
        description="what it is for, printed on its first page",
    )


class DossierRow(Answer):
    """One finished dossier, kept byte for byte and never changed."""

    crane: str
    number: int = Field(description="counts up by one for each finished dossier of the crane")
    finished_at: AwareDatetime
    finished_by: str
    note: str
    program_version: str
    data_bytes: int
    data_sha256: str = Field(description="of the JSON as it is kept, hexadecimal; printed in the PDF")
    pdf_bytes: int
    pdf_sha256: str = Field(description="of the PDF as it is kept, hexadecimal")


class DossierChange(Answer):
    """One figure, entry or record that is not what it was in an earlier dossier."""

    part: Literal["figure", "entry", "record"]
    what: str
    before: str | None = Field(description="None: it was not there")
    after: str | None = Field(description="None: it is gone")


class DossierChanges(Answer):
    """What changed from one finished dossier to a later one."""

    crane: str
    since: int
    number: int
    changes: tuple[DossierChange, ...]


class DossierDuty(Answer):
    """Time and events of the whole record."""

    days: int = Field(description="with data")
    recorded_s: float
    working_s: float
    loaded_s: float = Field(description="in a lift, or near the limit")
    near_limit_s: float
    over_limit_s: float
    emergency_s: float = Field(description="on the manual valves")
    limit_assumed_s: float = Field(description="limit_pct was not sent and was taken at 100")
    lifts: int
    near_limit_lifts: int
    limiter_stops: int
    limiter_overrides: int


class DossierMethod(Answer):
    """Where the figures come from: program, method, settings of the count."""

    program_version: str
    method_version: int | None = Field(description="of the count that is answered from; None without one")
    settings_hash: str | None = Field(description="SHA-256 of method version and settings of that count")
    settings: dict[str, Any] = Field(description="of the count")
    finding_thresholds: dict[str, Any] = Field(
        description="that findings about readings were judged by; empty before the first time"
    )
    counted_at: AwareDatetime | None = Field(description="when the figures were last brought up to date")
    days_waiting: int = Field(description="days of the crane that wait to be counted again")


class MethodSource(Answer):
    """One rule with what it rests on."""

    rule: str
    says: str
    source: str = Field(description="edition and clause where known")
    unverified: bool = Field(description="known or restated openly: the standard itself was not at hand")


class Dossier(Answer):
    """Everything that an engineer needs to know of one crane to assess it, what is not known first."""

    state: Literal["draft", "finished"]
    number: int | None = Field(description="None for a draft")
    finished_at: AwareDatetime | None
    finished_by: str
    note: str
    crane: Crane
    site: Site
    unknown: tuple[str, ...] = Field(description="what is not known or was assumed, and what that does")
    life: LifeAnswer
    coverage: CoverageAnswer = Field(description="of the whole record")
    counters: CountersAnswer
    duty: DossierDuty
    spectrum: SpectrumAnswer = Field(description="of the whole record")
    details: tuple[DetailEntry, ...] = Field(description="weld details as entered")
    overloads: tuple[OverloadRow, ...] = Field(
        description="lifts above 100 % structural, newest first, each with the decision that holds"
    )
    findings: tuple[FindingRow, ...]
    exclusions: tuple[ExclusionRow, ...] = Field(description="withdrawn ones included")
    descriptions: tuple[DescriptionEntry, ...] = Field(description="what the crane was like, newest first")
    records: tuple[LifeRecordRow, ...] = Field(
        description="inspections, findings, repairs, cracks, calibrations, changed details, withdrawn ones included; of"
        " attached files the SHA-256, the files stay with the records"
    )
    services: tuple[ServiceDoneRow, ...] = Field(description="services done, newest first")
    method: DossierMethod
    sources: tuple[MethodSource, ...]
    since: DossierRow | None = Field(description="the finished dossier that `changes` compares with")
    changes: tuple[DossierChange, ...]
    cautions: tuple[str, ...]
