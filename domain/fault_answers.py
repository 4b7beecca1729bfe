"""Answers and requests about faults: episodes, Pareto lists, their company with overloads, the catalogue of codes."""

from datetime import date

from pydantic import AwareDatetime, Field, StrictBool

from domain.answers import Answer
from domain.fleet_answers import Confident
from domain.messages import CraneName
from domain.remark import Remark


class FaultEpisodeRow(Answer):
    """One fault from raised to cleared, and what the crane was doing when it came."""

    code: str
    meaning: str | None = Field(description="from the imported catalogue of status codes")
    advice: str | None
    text: str = Field(description="as the crane sent it")
    raised_at: AwareDatetime
    cleared_at: AwareDatetime | None = Field(description="None: open")
    open_s: float = Field(description="from raised to cleared, or to now")
    raised_times: int = Field(description="raised again while open counts here")
    repeats: int = Field(description="earlier episodes of this code within repeat_days")
    mode: str | None = Field(description="transport, stabiliser, remote or emergency; None: no reading then")
    utilisation_pct: float | None
    peak_utilisation_pct: float | None = Field(description="largest of the 30 s before")
    structural_pct: float | None
    outreach_m: float | None
    hook_height_m: float | None
    slew_deg: float | None


class CodeRow(Answer):
    """One code in a Pareto list."""

    code: str
    count: int
    cranes: int
    open: int
    open_hours: float
    repeats: int = Field(description="came again within repeat_days at the same crane")
    running_share: float = Field(description="of all faults, this code and those above it; 1 at the last")


class CraneFaultsRow(Answer):
    """One crane in a Pareto list."""

    crane: str
    count: int
    codes: int
    open: int
    working_hours: float
    per_hour: Confident
    hours_between: float | None = Field(description="working hours over faults; None without a fault")


class FaultPareto(Answer):
    """Which codes and which cranes make most of the faults of a time range."""

    time_from: AwareDatetime
    time_to: AwareDatetime
    repeat_days: int
    codes: tuple[CodeRow, ...]
    cranes: tuple[CraneFaultsRow, ...]


class FaultsAndOverloadsAnswer(Answer):
    """Whether faults come on days with overloads (limiter stop, override, or time above 100 %), and how sure that is."""

    day_from: date
    day_to: date
    crane: str | None
    odds_ratio: float = Field(
        description="odds of a fault on days with an overload over those on days without"
    )
    low: float = Field(description="95 % interval")
    high: float
    p_value: float = Field(description="Fisher's exact test, two-sided")
    days_with: int = Field(description="crane-days with an overload")
    days_without: int
    enough: bool
    remark: Remark
    caution: str


class StatusCodeRow(Answer):
    """Meaning of one status code, as it was imported."""

    type: str | None = Field(description="None: for every crane type")
    code: str
    meaning: str
    advice: str
    source: str
    imported_at: AwareDatetime


class StatusCodesAsked(Answer, extra="forbid"):
    """A catalogue to import: CSV with the columns code, meaning and, if there is any, advice."""

    csv: str = Field(
        max_length=2_000_000, examples=["code,meaning,advice\nX-01,oil hot (invented),let it cool\n"]
    )
    source: str = Field(
        min_length=1, max_length=200, pattern=r"^[^\x00]*$", description="where it comes from"
    )
    type: CraneName | None = Field(default=None, description="crane type; left out: for every type")
    check_only: StrictBool = False


class StatusCodesImported(Answer):
    """What an import came to."""

    codes: int
    stored: bool
