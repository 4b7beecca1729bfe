"""What a crane is: geometry, ratings, load charts, design class, prior duty.

Geometry convention (docs/nomenclature.md): the slewing axis is vertical; booms are measured to the horizontal,
positive up; slewing angle 0 points over the cab, positive clockwise seen from above; lengths in metres.

    outreach_m    = pivot_offset_m + main*cos(a) + (knuckle + extension)*cos(b) + (jib + jib_extension)*cos(c)
    hook_height_m = pivot_height_m + main*sin(a) + (knuckle + extension)*sin(b) + (jib + jib_extension)*sin(c)
"""

from collections.abc import Iterable
from datetime import date
from enum import StrEnum
from typing import Annotated, Final, Literal, Self
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from pydantic import BaseModel, ConfigDict, Field, StrictBool, model_validator

from domain.attention import REVIEW_SHARE
from domain.errors import field_error
from domain.messages import CraneName
from domain.moments import Day, Instant

Length = Annotated[float, Field(gt=0, le=100, allow_inf_nan=False)]
Mass = Annotated[float, Field(gt=0, le=200_000, allow_inf_nan=False)]


class _Value(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")


class Spread(StrEnum):
    """How far a stabiliser is extended."""

    FULL = "full"
    PART = "part"
    NONE = "none"


class Sector(StrEnum):
    """Where the boom points, seen from the slewing axis; right and left as seen from the cab.

    SIDE stands for right and left together: a chart "over the side" holds on both, and a job "over the side" may be on
    either, so both have to hold.
    """

    OVER_CAB = "over_cab"
    RIGHT = "right"
    REAR = "rear"
    LEFT = "left"
    SIDE = "side"

    @property
    def quarters(self) -> tuple["Sector", ...]:
        """The quarters of 90 deg that the word stands for."""
        return (Sector.RIGHT, Sector.LEFT) if self is Sector.SIDE else (self,)


QUARTERS: Final = (Sector.OVER_CAB, Sector.RIGHT, Sector.REAR, Sector.LEFT)
"""The four sectors, clockwise from above."""


class RecorderRuns(StrEnum):
    """When the recorder of a crane runs, as its owner states it: it decides how far days without data are rest."""

    ALWAYS = "always"  # as long as the crane can move; nobody can switch it off
    WITH_IGNITION = "with_ignition"  # of the carrier, whose engine drives the pump
    CAN_BE_SWITCHED_OFF = "can_be_switched_off"
    UNKNOWN = "unknown"


Quarter = Literal["over_cab", "right", "rear", "left"]
"""Of 90 deg around the slewing axis, the first centred on the cab, clockwise from above."""


class Boom(_Value):
    """A boom member: length between its joints, own mass, and its working angles to the horizontal."""

    length_m: Length
    mass_kg: Mass
    lowest_deg: float = Field(ge=-180, le=180)
    highest_deg: float = Field(ge=-180, le=180)

    @model_validator(mode="after")
    def _ordered(self) -> Self:
        if self.lowest_deg >= self.highest_deg:
            raise ValueError("lowest_deg must lie below highest_deg")
        return self


class Extension(_Value):
    """One hydraulic extension: its stroke and own mass. Extensions move in the order of the list."""

    stroke_m: Length
    mass_kg: Mass


class Jib(_Value):
    """A fly jib: its boom, its extensions and the largest mass it may carry at all."""

    boom: Boom
    extensions: tuple[Extension, ...] = ()
    rated_capacity_kg: Mass


class Vehicle(_Value):
    """The carrier, for the estimate of stabiliser reactions. x is measured from the slewing axis towards the cab."""

    mass_kg: Mass
    centre_of_mass_x_m: float = Field(ge=-20, le=20)
    stabiliser_spread_full_m: Length = Field(description="slewing axis to pad, sideways, at full spread")
    stabiliser_spread_none_m: Length = Field(description="the same with the stabilisers run in")
    rear_support_x_m: float = Field(ge=-20, le=0, description="rear axle or rear stabilisers")
    front_support_x_m: float = Field(ge=0, le=20, description="front axle")
    pad_area_m2: float = Field(gt=0, le=10)


class ChartPoint(_Value):
    """Rated capacity at an outreach; with a hook height where the chart has one."""

    outreach_m: Length
    capacity_kg: float = Field(
        ge=0,
        le=200_000,
        allow_inf_nan=False,
        description="0 is a hole: no capacity from the point before to the point after",
    )
    hook_height_m: float | None = Field(default=None, ge=-60, le=120)


class LoadChart(_Value):
    """Rated capacities for one configuration, by outreach. `stage` counts extensions run out, None for any."""

    spread_left: Spread
    spread_right: Spread
    sector: Sector | None = Field(default=None, description="None where it holds all round")
    jib_fitted: StrictBool = False
    stage: int | None = Field(default=None, ge=0, le=20)
    points: tuple[ChartPoint, ...] = Field(min_length=2)
    valid_from: Day | None = None

    @model_validator(mode="after")
    def _falls_with_outreach(self) -> Self:
        at_height: dict[float | None, list[ChartPoint]] = {}
        for point in self.points:
            at_height.setdefault(point.hook_height_m, []).append(point)
        for row in at_height.values():
            if any(far.outreach_m <= near.outreach_m for near, far in zip(row, row[1:], strict=False)):
                raise ValueError("outreach_m must rise from point to point")
            carrying = [point.capacity_kg for point in row if point.capacity_kg]
            if any(far > near for near, far in zip(carrying, carrying[1:], strict=False)):
                raise ValueError("capacity_kg must not rise with outreach")
        return self


class Edition(StrEnum):
    """The standard whose class letters are meant; the same letter means different things in each."""

    ISO_4301_1_1986 = "ISO 4301-1:1986"
    EN_13001_1 = "EN 13001-1"


class DesignClass(_Value):
    """The class of use a crane was designed for, from its manual: there is no default."""

    edition: Edition
    u_class: str = Field(pattern=r"^U\d$")
    q_class: str = Field(pattern=r"^Q\d$")
    s_class: str | None = Field(default=None, pattern=r"^S(0[12]|\d)$")


class PriorDuty(_Value):
    """Duty before the first record, as the owner states it, with its own safety factor f1."""

    lifts: float = Field(ge=0, le=1e8)
    kq: float = Field(ge=0, le=1)
    f1: float = Field(ge=1.0, le=1.5)
    years: float | None = Field(
        default=None,
        gt=0,
        le=100,
        description="that it covers; None: all from manufacture to the first record",
    )
    source: str = Field(default="", max_length=200)


class CraneType(_Value):
    """Geometry and ratings that cranes of one type share."""

    name: CraneName
    title: str = Field(max_length=100)
    pivot_offset_m: float = Field(ge=-2, le=5, description="slewing axis to main boom pivot, horizontal")
    pivot_height_m: Length = Field(description="ground to main boom pivot")
    main_boom: Boom
    knuckle_boom: Boom
    extensions: tuple[Extension, ...] = ()
    jib: Jib | None = None
    rated_moment_kn_m: float = Field(
        gt=0, le=20_000, description="full structural rating: load and boom moment about the main boom pivot"
    )
    vehicle: Vehicle
    charts: tuple[LoadChart, ...] = ()
    invented: StrictBool = False


class AssessmentEntries(_Value):
    """What is entered of a crane that decides when its special assessment is due: see duty.assessment."""

    manufactured_on: Day | None = Field(
        default=None,
        description="from the plate or the manual; None until entered: the first day of service stands in",
    )
    commissioned_on: Day
    special_assessment_after_years: float = Field(default=10, gt=0, le=50)
    review_at_share: float = Field(
        default=REVIEW_SHARE,
        gt=0,
        le=1,
        description="used share at which the crane is to be reviewed; the default is French practice",
    )
    wind_limit_m_s: float | None = Field(
        strict=True,
        default=None,
        gt=0,
        le=60,
        description="wind up to which the crane may lift, from its manual",
    )
    slope_limit_deg: float | None = Field(
        strict=True, default=None, ge=0, le=45, description="slope on which it may stand, from its manual"
    )
    assessed_on: Day | None = Field(default=None, description="day of the last special assessment")
    assess_by: Day | None = Field(
        default=None,
        description="day by which the next one is due, as an assessor, maker or authority set it",
    )
    assess_because: str = Field(
        default="",
        max_length=200,
        description="condition that calls for one now: a crack, an overload, a repair",
    )
    assess_since: Day | None = Field(default=None, description="day since when that condition is known")

    @model_validator(mode="after")
    def _condition_has_a_day(self) -> Self:
        if bool(self.assess_because.strip()) != (self.assess_since is not None):
            raise field_error(
                "assess_because", "assess_because and assess_since belong together: give both or neither"
            )
        return self


class Crane(AssessmentEntries):
    """One crane of the fleet."""

    name: CraneName
    title: str = Field(default="", max_length=100)
    type: CraneType
    site: CraneName
    registered_at: Instant
    design: DesignClass | None = Field(
        default=None, description="from the crane's manual; None until entered"
    )
    design_years: float | None = Field(
        default=None,
        ge=1,
        le=100,
        description="years that the design working period is meant to last, from the manual; None until entered",
    )
    prior_duty: PriorDuty | None = None
    recorder_runs: RecorderRuns = RecorderRuns.UNKNOWN
    pressure_bias_pct: float | None = Field(
        default=None,
        ge=0,
        le=50,
        description="how far the structural percent may be off [%]; None: a stated default",
    )
    lift_rule_pct: float | None = Field(
        default=None,
        ge=0,
        le=100,
        description="how far the sum of cubes may be off by the finding of lifts [%]",
    )
    draft: StrictBool = Field(default=False, description="seen on the wire, not yet completed by a person")


class Site(_Value):
    """A yard with its time zone: days of its cranes begin at its midnight."""

    name: CraneName
    title: str = Field(default="", max_length=100)
    time_zone: str = Field(description="IANA name, such as Europe/Vienna")
    latitude_deg: float | None = Field(default=None, ge=-90, le=90)
    longitude_deg: float | None = Field(default=None, ge=-180, le=180)

    @model_validator(mode="after")
    def _known_zone(self) -> Self:
        try:
            ZoneInfo(self.time_zone)
        except (ZoneInfoNotFoundError, ValueError, OSError) as problem:
            raise ValueError(f"time_zone {self.time_zone!r} is not an IANA time zone name") from problem
        return self


def charts_in_force(charts: Iterable[LoadChart], day: date) -> tuple[LoadChart, ...]:
    """The charts that hold on a day: of each configuration and sector the one with the latest `valid_from` up to it.

    A chart without `valid_from` holds from the beginning. Two of one day both hold, and the weaker reading counts.
    """
    newest: dict[tuple[object, ...], list[LoadChart]] = {}
    for chart in charts:
        since = chart.valid_from or date.min
        setup = (chart.spread_left, chart.spread_right, chart.sector, chart.jib_fitted, chart.stage)
        known = newest.get(setup)
        if since > day:
            continue
        if known is None or (known[0].valid_from or date.min) < since:
            newest[setup] = [chart]
        elif known[0].valid_from == chart.valid_from:
            known.append(chart)
    return tuple(chart for charts_of_setup in newest.values() for chart in charts_of_setup)
