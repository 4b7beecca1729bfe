"""Answers that set the load spectrum of a crane against others: its design, its type, the fleet, its configurations; the ledger itself."""

from datetime import date
from typing import Literal

from pydantic import Field

from domain.answers import Answer, Beyond
from domain.crane import DesignClass
from domain.remark import Remark

SpreadName = Literal["none", "part", "full", "unknown"]


class PeakStep(Answer):
    """Lifts whose peak structural percent lies in [low_pct, high_pct)."""

    low_pct: float
    high_pct: float = Field(description="the last step holds everything above too")
    lifts: int
    share: float = Field(description="of the lifts, 0..1")
    share_at_or_above: float = Field(
        description="of the lifts, this step and all above it: the spectrum as it is drawn"
    )


class LoadSpectrum(Answer):
    """Lifts by their peak, of one crane or of several together."""

    cranes: int = Field(description="with lifts in the period")
    lifts: int
    working_hours: float
    lifts_per_hour: float | None
    kq: float | None = Field(description="mean cube of the peak structural share; None without lifts")
    equivalent_peak_pct: float | None = Field(description="peak that, made every time, gives the same kq")
    steps: tuple[PeakStep, ...] = Field(description="rising, the empty ones below the highest included")


class DesignSpectrum(Answer):
    """What the crane was designed for, from its manual."""

    design: DesignClass
    cycles: float
    kq: float
    equivalent_peak_pct: float
    kq_over_design: float | None = Field(
        description="kq of the crane over that of its design: above 1 heavier lifts"
    )
    years_to_cycles: float | None = Field(
        description="years to the design's number of lifts at the pace of the period, weight of the lifts left aside"
    )


class SpectrumComparison(Answer):
    """The load spectrum of a crane over whole local days beside that of its type, the fleet in scope, and its design."""

    crane: str
    type: str
    day_from: date
    day_to: date
    step_pct: float
    own: LoadSpectrum
    own_type: LoadSpectrum = Field(description="every crane of the type that you may see, this one included")
    fleet: LoadSpectrum = Field(description="every crane that you may see, this one included")
    design: DesignSpectrum | None
    remark: Remark = Field(description="how much heavier or lighter its spectrum is")
    cautions: tuple[str, ...]


class ConfigurationSpectrum(Answer):
    """Lifts made in one configuration: with the stabilisers spread so far, at their narrowest in the lift."""

    left: SpreadName
    right: SpreadName
    share: float = Field(description="of all lifts of the period, 0..1")
    near_limit_lifts: int
    lifts: int
    kq: float
    kq_share: float = Field(
        description="part of the whole sum of cubes: how much life goes in this configuration"
    )
    steps: tuple[PeakStep, ...]


class ConfigurationsAnswer(Answer):
    """The load spectrum of a crane by configuration, over whole local days, most used first."""

    crane: str
    day_from: date
    day_to: date
    step_pct: float
    full_from_pct: float
    none_to_pct: float
    rows: tuple[ConfigurationSpectrum, ...]
    note: str
    cautions: tuple[str, ...]


class LedgerCell(Answer):
    """Closed cycles between two classes, each given by its middle."""

    low_pct: float
    high_pct: float
    cycles: int


class LedgerAnswer(Answer):
    """Counted cycles of structural percent of one crane over whole local days."""

    crane: str
    day_from: date | None = Field(description="of the first span that is merged in; None without any")
    day_to: date | None
    samples: int
    class_width_pct: float = Field(
        description="a value is known to within half of it, outside the equal classes to within half of wide_class_pct"
    )
    wide_class_pct: float = Field(
        description="width of the classes below equal_from_pct and above equal_to_pct"
    )
    equal_from_pct: float
    equal_to_pct: float
    beyond: Beyond | None = Field(default=None, description="readings that no class reaches")
    rows: tuple[LedgerCell, ...]
    open_pct: tuple[float, ...] = Field(description="open turning points in time order, not counted above")
    cautions: tuple[str, ...]
