"""The lift that a dispatcher asks for. Every limit is written here once; a value outside it is named with its range."""

from enum import StrEnum
from typing import Annotated, Self

from pydantic import BaseModel, ConfigDict, Field, field_validator, model_validator

from domain.crane import QUARTERS, Sector, Spread
from domain.errors import field_error
from domain.moments import RecordInstant

DEFAULT_PLANNING_LIMIT_PCT = 85.0  # own choice: leaves room for what the plan does not know
DEFAULT_HOISTING_FACTOR = 1.25  # assumed allowance for dynamics and wind on the load; no source
USUAL_HOOK_HEIGHT_M = (
    2.0  # own choice, a load set down at the truck's side: where none is entered, for drawings and comparison
)
ASSUMED_BELOW_HOOK_M = 2.0  # rigging and load height below the hook; no source
ASSUMED_CLEARANCE_M = 0.5  # own choice: air between the load and the obstacle

Outreach = Annotated[float, Field(strict=True, gt=0, le=100, allow_inf_nan=False)]


class Value(BaseModel):
    """Base of what is asked: frozen, and a field that is not known is refused."""

    model_config = ConfigDict(frozen=True, extra="forbid")


class JibRule(StrEnum):
    """Whether the job wants a fly jib."""

    ANY = "any"
    NEEDED = "needed"
    FORBIDDEN = "forbidden"


class Way(StrEnum):
    """Which way round the boom swings from pick to place, seen from above."""

    CLOCKWISE = "clockwise"
    ANTICLOCKWISE = "anticlockwise"


class Position(Value):
    """Where the hook has to stand, seen from the slewing axis."""

    outreach_m: Outreach
    hook_height_m: float | None = Field(
        strict=True,
        default=None,
        ge=-60,
        le=120,
        allow_inf_nan=False,
        description="ground to hook; None: every hook height of a chart has to hold",
    )
    sector: Sector | None = Field(
        default=None, description="None where it is not known: then every sector allowed has to hold"
    )


class Window(Value):
    """From when until when the crane is needed, travel included. The end itself is free again."""

    starts_at: RecordInstant
    ends_at: RecordInstant

    @model_validator(mode="after")
    def _ordered(self) -> Self:
        if self.ends_at <= self.starts_at:
            raise field_error("ends_at", "ends_at must lie after starts_at")
        if (self.ends_at - self.starts_at).days > 366:
            raise field_error("ends_at", "a window is at most 366 days long")
        return self


class Place(Value):
    """Where the job is, for the distance from a crane's site."""

    latitude_deg: float = Field(strict=True, ge=-90, le=90)
    longitude_deg: float = Field(strict=True, ge=-180, le=180)


class Weights(Value):
    """Points that a crane loses in the order of those that fit; the fewest points come first.

    The defaults keep the order free, no forbidding fault and assessment not overdue, service not overdue, no findings and
    heard, life, distance, unless a difference in life or distance is large. They are choices of this project; change them to what the yard values.
    """

    not_free: float = Field(
        strict=True, default=1000.0, ge=0, le=1e6, description="held at some time of the window"
    )
    forbidding_fault: float = Field(
        strict=True, default=500.0, ge=0, le=1e6, description="an open fault that forbids lifting"
    )
    assessment_overdue: float = Field(
        strict=True, default=500.0, ge=0, le=1e6, description="special assessment due by the day of the job"
    )
    findings: float = Field(
        strict=True, default=100.0, ge=0, le=1e6, description="readings that cannot be true"
    )
    never_heard: float = Field(
        strict=True, default=100.0, ge=0, le=1e6, description="has sent nothing: faults and life not known"
    )
    service_overdue: float = Field(strict=True, default=200.0, ge=0, le=1e6)
    life_per_ppm: float = Field(
        strict=True,
        default=1.0,
        ge=0,
        le=1e6,
        description="for each millionth of the remaining life that one such lift takes",
    )
    life_most: float = Field(strict=True, default=100.0, ge=0, le=1e6, description="most that life can cost")
    life_unknown: float = Field(
        strict=True, default=50.0, ge=0, le=1e6, description="where the life left is not known"
    )
    distance_per_km: float = Field(strict=True, default=0.1, ge=0, le=1e6)


class LiftJob(Value):
    """One lift: what, from where to where, and what the place allows. What is left out is taken at its worst.

    With `pick` the lift has two points, and the sweep between them is checked as well: every outreach and hook
    height between the two, in every sector on the way.
    """

    mass_kg: float = Field(strict=True, gt=0, le=200_000, allow_inf_nan=False, description="load alone")
    rigging_kg: float = Field(
        strict=True,
        ge=0,
        le=50_000,
        allow_inf_nan=False,
        description="slings, beam, hook block, attachment; 0 if none",
    )
    outreach_m: Outreach = Field(description="slewing axis to hook where the load is set down")
    hook_height_m: float | None = Field(
        strict=True,
        default=None,
        ge=-60,
        le=120,
        allow_inf_nan=False,
        description="ground to hook there; None: every hook height of a chart has to hold",
    )
    sector: Sector | None = Field(
        default=None, description="where that is; None: every sector allowed has to hold"
    )
    pick: Position | None = Field(
        default=None, description="where the load is picked up; None checks one point"
    )
    way: Way | None = Field(
        default=None, description="from pick to place, seen from above; None: both ways round have to hold"
    )
    obstacle_height_m: float | None = Field(
        strict=True, default=None, ge=0, le=100, description="what the underside of the load must pass over"
    )
    below_hook_m: float | None = Field(
        strict=True,
        default=None,
        ge=0,
        le=30,
        description=f"hook to the underside of the load; None: {ASSUMED_BELOW_HOOK_M} m is assumed over an obstacle",
    )
    clearance_m: float | None = Field(
        strict=True,
        default=None,
        ge=0,
        le=20,
        description=f"air between load and obstacle; None: {ASSUMED_CLEARANCE_M} m is assumed",
    )
    spread_left: Spread | None = Field(
        default=None,
        description="widest spread that the place allows, left; None: the narrowest of the crane's charts",
    )
    spread_right: Spread | None = Field(default=None, description="the same on the right")
    sectors: frozenset[Sector] = Field(
        default=frozenset(QUARTERS), min_length=1, description="sectors in which the lift may be done"
    )
    jib: JibRule = JibRule.ANY
    ground_bearing_kpa: float | None = Field(
        strict=True,
        default=None,
        ge=1,
        le=10_000,
        description="pressure that the ground bears; None where not known",
    )
    plate_area_m2: float | None = Field(
        strict=True, default=None, ge=0.01, le=10, description="plate laid under each pad; None: the bare pad"
    )
    planning_limit_pct: float = Field(strict=True, default=DEFAULT_PLANNING_LIMIT_PCT, ge=10, le=100)
    hoisting_factor: float = Field(
        strict=True,
        default=DEFAULT_HOISTING_FACTOR,
        ge=1,
        le=2,
        description="on the load, in stabiliser reactions only",
    )
    wind_m_s: float | None = Field(
        strict=True,
        default=None,
        ge=0,
        le=60,
        description="expected at the boom, gusts included; None is not compared",
    )
    slope_deg: float | None = Field(
        strict=True,
        default=None,
        ge=0,
        le=45,
        description="of the ground under the truck; None is not compared",
    )
    window: Window | None = None
    at: Place | None = None

    @field_validator("sectors")
    @classmethod
    def _as_quarters(cls, sectors: frozenset[Sector]) -> frozenset[Sector]:
        return frozenset(quarter for sector in sectors for quarter in sector.quarters)

    @model_validator(mode="after")
    def _sectors_agree(self) -> Self:
        for name, position in (("sector", self.place), ("pick.sector", self.pick)):
            if position is not None and position.sector is not None:
                if set(position.sector.quarters) <= self.sectors:
                    continue
                allowed = ", ".join(one for one in QUARTERS if one in self.sectors)
                raise field_error(name, f"{name} must be one of the sectors allowed: {allowed}")
        return self

    @property
    def place(self) -> Position:
        """Where the load is set down."""
        return Position(outreach_m=self.outreach_m, hook_height_m=self.hook_height_m, sector=self.sector)

    @property
    def over_obstacle_m(self) -> float | None:
        """How high the hook has to come over the obstacle [m]; None without one. What is not entered is assumed."""
        if self.obstacle_height_m is None:
            return None
        below = ASSUMED_BELOW_HOOK_M if self.below_hook_m is None else self.below_hook_m
        return (
            self.obstacle_height_m
            + below
            + (ASSUMED_CLEARANCE_M if self.clearance_m is None else self.clearance_m)
        )

    @property
    def hook_load_kg(self) -> float:
        """What hangs on the crane [kg]: load and rigging. Rated capacity is compared with this."""
        return self.mass_kg + self.rigging_kg
