"""A weld detail as a person enters it: how its stress follows structural percent, and its S-N curve."""

from enum import StrEnum
from typing import Annotated, Final, Literal, Self

from pydantic import BaseModel, ConfigDict, Field, model_validator

from domain.errors import field_error

LEAST_MPA_PER_PCT: Final = 1e-3
REFERENCE_CYCLES: Final = 2e6  # where every curve is named by its stress range
Number = Annotated[float, Field(strict=True, allow_inf_nan=False)]


class CurveFamily(StrEnum):
    """The rules that an S-N curve is taken from."""

    EN_1993_1_9 = "EN 1993-1-9"
    IIW = "IIW"
    EN_13001_3_1 = "EN 13001-3-1"
    OWN = "own"


class Branch(BaseModel):
    """One straight line of a curve of the engineer's own, from few cycles to many."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    slope_m: Number = Field(gt=1, lt=50)
    to_cycles: Number | None = Field(
        default=None,
        gt=0,
        description="cycles at its lower end; None on the last branch: it goes on without end",
    )


class DetailSpec(BaseModel):
    """stress [MPa] = mpa_per_pct * structural percent + offset_mpa, with the curve that it is held against."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    mpa_per_pct: Number = Field(ge=-100, le=100, description="stress for each structural percent [MPa/%]")
    offset_mpa: Number = Field(default=0.0, ge=-1000, le=1000)
    curve: CurveFamily
    reference_mpa: Number = Field(
        gt=0, le=1000, description="stress range at 2e6 cycles: category, FAT, ds_c"
    )
    slope_m: Number = Field(default=3.0, gt=1, le=20, description="EN 13001-3-1 only: 3 for welds, 5 plain")
    branches: tuple[Branch, ...] = Field(
        default=(),
        max_length=6,
        description="own curve only: its lines, the first holding 2e6 cycles; below the end of the last no damage",
    )
    source: str = Field(default="", max_length=200, description="own curve only: where it comes from")
    gamma_mf: Number = Field(default=1.25, ge=1.0, le=2.0)
    allowed_sum: Number | None = Field(
        default=None,
        gt=0,
        le=3,
        description="Miner sum that the detail may reach; None: 0.5 for IIW, which advises it, else 1",
    )
    mpa_error_pct: Number | None = Field(
        default=None, ge=0, le=100, description="how far mpa_per_pct may be off [%]; None: a stated default"
    )
    sn_scatter_log10: Number | None = Field(
        default=None,
        ge=0,
        le=2,
        description="standard deviation of log10 of cycles to failure; None: a stated default",
    )
    direction: Number | Literal["none", "worst"] = Field(
        default="none",
        description="none for a place on the booms; worst, or degrees around the base, for column and mounting",
    )

    @model_validator(mode="after")
    def _usable(self) -> Self:
        if abs(self.mpa_per_pct) < LEAST_MPA_PER_PCT:
            raise field_error(
                "mpa_per_pct",
                f"mpa_per_pct must be {LEAST_MPA_PER_PCT} or more: without stress there is no damage",
            )
        if isinstance(self.direction, float) and not -360 <= self.direction <= 360:
            raise field_error("direction", "direction must lie in -360..360 degrees")
        if (self.curve is CurveFamily.OWN) != bool(self.branches):
            raise field_error("branches", "branches belong to the curve 'own', which needs 1 to 6 of them")
        if self.curve is CurveFamily.OWN:
            self._check_branches()
        return self

    def _check_branches(self) -> None:
        if not self.source.strip():
            raise field_error(
                "source", "source must say where a curve of your own comes from: a test, a report, a handbook"
            )
        if any(branch.to_cycles is None for branch in self.branches[:-1]):
            raise field_error("branches", "to_cycles may be left out on the last of the branches only")
        ends = [branch.to_cycles for branch in self.branches if branch.to_cycles is not None]
        if ends != sorted(set(ends)):
            raise field_error("branches", "to_cycles of the branches must rise")
        if ends and ends[0] < REFERENCE_CYCLES:
            raise field_error(
                "branches", "the first of the branches must reach 2e6 cycles, where reference_mpa is meant"
            )
