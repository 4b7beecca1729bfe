"""A weld detail as a person enters it: how its stress follows structural percent, and its S-N curve."""

from enum import StrEnum
from typing import Annotated, Final, Literal, Self

from pydantic import BaseModel, ConfigDict, Field, model_validator

LEAST_MPA_PER_PCT: Final = 1e-3
Number = Annotated[float, Field(allow_inf_nan=False)]


class CurveFamily(StrEnum):
    """The rules that an S-N curve is taken from."""

    EN_1993_1_9 = "EN 1993-1-9"
    IIW = "IIW"
    EN_13001_3_1 = "EN 13001-3-1"


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
    gamma_mf: Number = Field(default=1.25, ge=1.0, le=2.0)
    direction: Number | Literal["none", "worst"] = Field(
        default="none",
        description="none for a place on the booms; worst, or degrees around the base, for column and mounting",
    )

    @model_validator(mode="after")
    def _usable(self) -> Self:
        if abs(self.mpa_per_pct) < LEAST_MPA_PER_PCT:
            raise ValueError(
                f"mpa_per_pct must be {LEAST_MPA_PER_PCT} or more: without stress there is no damage"
            )
        if isinstance(self.direction, float) and not -360 <= self.direction <= 360:
            raise ValueError("direction must lie in -360..360 degrees")
        return self
