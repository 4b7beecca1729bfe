"""What a lift is: one working cycle of a crane."""

from pydantic import AwareDatetime, BaseModel, ConfigDict, Field

from domain.messages import CraneName


class Lift(BaseModel):
    """One working cycle of a crane: from picking a load up to setting it down."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    crane: CraneName
    started_at: AwareDatetime
    ended_at: AwareDatetime
    peak_utilisation_pct: float
    peak_structural_pct: float
    peak_outreach_m: float | None = None
    mass_kg: float | None = Field(default=None, description="estimated; None without geometry and chart")
    slew_travel_deg: float = Field(default=0.0, ge=0)
    limiter_stops: int = Field(default=0, ge=0)
    limiter_overrides: int = Field(default=0, ge=0)
