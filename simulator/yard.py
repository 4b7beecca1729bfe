"""The invented rental yard: which cranes stand in it, who works with them, and what is wrong with them."""

from collections.abc import Collection
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from functools import lru_cache
from pathlib import Path
from typing import Final

import yaml
from pydantic import BaseModel, ConfigDict, Field, field_validator

from domain.channels import CHANNEL_BY_NAME
from domain.crane import Crane, DesignClass, PriorDuty, RecorderRuns, Site
from domain.errors import NotFound
from simulator.machine import Machine, load_machine, with_boom_masses

YARD_FILE: Final = Path(__file__).parent / "yard.yaml"
FIELD_FILE: Final = Path(__file__).parent / "field.yaml"
REFERENCE_DAY: Final = date(2026, 1, 5)
_DAYS_PER_YEAR: Final = 365.25


class _Part(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")


class Habit(_Part):
    """How the operator works."""

    busy: float = Field(default=1.0, gt=0, le=4, description="factor on stops and lifts of the scenario")
    pace: float = Field(default=1.0, ge=0.5, le=3, description="factor on the time of movements and rigging")
    comfort_pct: float = Field(
        default=86.0, ge=40, le=99, description="utilisation that a planned lift may reach"
    )
    bold_share: float = Field(
        default=0.02, ge=0, le=1, description="share of lifts tried beyond what is allowed"
    )
    override_share: float = Field(
        default=0.1, ge=0, le=1, description="how often a limiter stop is answered by an override"
    )
    far: float = Field(default=0.0, ge=0, le=1, description="0: scenario's reach, 1: always its farthest")
    spread_pct: int | None = Field(
        default=None,
        ge=0,
        le=100,
        description="stabiliser that this operator always sets; None: the scenario's",
    )
    emergency_share: float = Field(
        default=0.01, ge=0, le=1, description="share of stops that end on the manual valves"
    )
    working_share: float = Field(default=0.92, ge=0, le=1, description="share of weekdays with work")
    least_load_pct: float = Field(
        default=8.0,
        ge=0,
        le=80,
        description="utilisation that the smallest load adds where it is picked up: lighter ones are carried by hand",
    )
    swing: float = Field(
        default=0.0, ge=0, le=0.5, description="share of its moment by which a load sways all the time"
    )


class Attachment(_Part):
    """What is fitted to the hook: a grab, a fork, a hook block. It is no load, and no channel tells of it."""

    masses_kg: tuple[float, ...] = Field(min_length=1, description="0: the bare hook")
    change_share: float = Field(
        default=0.0, ge=0, le=1, description="share of lifts before which another of the masses is fitted"
    )


class Faults(_Part):
    """What is wrong with the crane's sensors, its clock and its description, and how often something breaks."""

    drift_pct_per_30_days: float = Field(
        default=0.0, ge=-20, le=20, description="slope of the sensor's offset"
    )
    drift_days: int = Field(default=0, ge=0, le=3650, description="days before the reference day since when")
    offset_pct: float = Field(default=0.0, ge=-20, le=20, description="steady offset of the sensor")
    dropouts_per_hour: float = Field(
        default=0.0, ge=0, le=60, description="short losses of the utilisation reading, up to some seconds"
    )
    dropout_longest_s: float = Field(default=6.0, ge=0.5, le=3600)
    spikes_per_hour: float = Field(
        default=0.0, ge=0, le=600, description="single readings of utilisation far above all others"
    )
    spike_pct: float = Field(default=250.0, ge=0, le=400, description="the highest of them")
    stuck_at_pct: float | None = Field(
        default=None, ge=-20, le=400, description="what the utilisation sensor reads whatever hangs"
    )
    factors: dict[str, float] = Field(
        default_factory=dict, description="channel: what its readings are multiplied by, for a wrong unit"
    )
    fixed: dict[str, float] = Field(
        default_factory=dict, description="channel: what it reads whatever the crane does"
    )
    unsent: tuple[str, ...] = Field(default=(), description="channels that are not sent")
    boom_mass_factor: float = Field(
        default=1.0, ge=0.5, le=2, description="true masses of the booms over those of the crane type"
    )
    stuck_share: float = Field(
        default=0.0, ge=0, le=1, description="share of stops at which the main boom angle sticks for minutes"
    )
    clock_offset_s: float = Field(default=0.0, ge=-2e9, le=2e9, description="how far its clock runs ahead")
    clock_jump_s: float = Field(
        default=0.0, ge=-2e9, le=2e9, description="by how much it is set ahead during the day"
    )
    clock_jump_at: float = Field(
        default=0.5, ge=0, le=1, description="after which share of the day's messages"
    )
    clock_drift_s_per_day: float = Field(
        default=0.0,
        ge=-60,
        le=60,
        description="how much farther it runs ahead every day; below 0 it loses time",
    )
    clock_days: int = Field(default=0, ge=0, le=3650, description="days before the reference day since when")
    stated_step: float = Field(
        default=1.0, ge=0.001, le=1, description="the step that its messages state over the true one"
    )
    codes_per_day: float = Field(
        default=0.12, ge=0, le=20, description="status codes raised on a working day"
    )
    usual_code: str | None = Field(default=None, description="the code that it mostly is; None: any alike")

    @field_validator("factors", "fixed", "unsent")
    @classmethod
    def _known(cls, names: dict[str, float] | tuple[str, ...]) -> dict[str, float] | tuple[str, ...]:
        if unknown := sorted(set(names) - set(CHANNEL_BY_NAME)):
            raise ValueError(f"unknown channels {unknown}; known are {sorted(CHANNEL_BY_NAME)}")
        return names


class Expectation(_Part):
    """How near to the truth the counted figures must be all the same, and what must be found wrong."""

    lifts: float | None = Field(
        default=None, ge=0, description="share of the true lifts; None: no figure holds"
    )
    cube_sum: float | None = Field(default=None, ge=0, description="share of the true sum of cubes")
    findings: tuple[str, ...] = ()
    by_ingest: bool = Field(default=False, description="whether it shows only where messages are received")


class _Entry(_Part):
    name: str
    title: str
    type: str
    age_years: float = Field(gt=0, le=60)
    design: DesignClass
    scenarios: dict[str, float]
    story: str = ""
    prior_duty: PriorDuty | None = None
    unknown_years: float = Field(
        default=0.0, ge=0, le=60, description="years before the record of which nobody knows anything"
    )
    recorder_runs: RecorderRuns = RecorderRuns.WITH_IGNITION
    counters: bool = Field(
        default=False, description="whether it sends its operating-hours and lift counters in samples"
    )
    thin_link: bool = Field(default=False, description="whether it sends CBOR under zstd instead of JSON")
    stock_days: int = Field(
        default=0, ge=0, le=3650, description="from manufacture to the first day of service"
    )
    design_years: float | None = Field(default=None, gt=0, le=100)
    habit: Habit = Habit()
    faults: Faults = Faults()
    attachment: Attachment | None = None
    expected: Expectation | None = Field(default=None, description="of a field case")
    offline_share: float = Field(default=0.08, ge=0, le=1, description="share of stops without coverage")


class _YardFile(_Part):
    site: Site
    first_number: int = Field(default=0, ge=0, description="of its first crane; part of every seed")
    cranes: tuple[_Entry, ...]


@dataclass(frozen=True, kw_only=True)
class YardCrane:
    """One crane of the yard with everything that the simulator knows about it."""

    crane: Crane
    site: Site
    machine: Machine  # as it is; `crane.type` is what is known of it
    scenarios: dict[str, float]  # name to share of the working days
    habit: Habit
    faults: Faults
    attachment: Attachment | None
    expected: Expectation | None  # None: nothing is wrong with it that counting would have to stand
    offline_share: float
    counters: bool  # whether it sends its operating-hours and lift counters in samples
    thin_link: bool  # whether it sends CBOR under zstd instead of JSON
    story: str
    reference_day: date
    number: int  # position in the yard; part of every seed

    @property
    def name(self) -> str:
        """The crane's name on the wire."""
        return self.crane.name


@dataclass(frozen=True, kw_only=True)
class Yard:
    """A site and its cranes."""

    site: Site
    cranes: tuple[YardCrane, ...]

    @property
    def thin(self) -> frozenset[str]:
        """Cranes that send CBOR under zstd."""
        return frozenset(crane.name for crane in self.cranes if crane.thin_link)

    def crane(self, name: str) -> YardCrane:
        """The crane of that name. Raises NotFound with the names that there are."""
        for crane in self.cranes:
            if crane.name == name:
                return crane
        raise NotFound(f"no crane {name!r} in {self.site.name}; there are {[c.name for c in self.cranes]}")


@lru_cache(maxsize=16)
def load_yard(reference_day: date = REFERENCE_DAY, *, healthy: bool = False, file: Path = YARD_FILE) -> Yard:
    """The yard as it stands on a day: ages and the start of a drift count back from `reference_day`.

    `healthy` leaves out what is wrong with sensors and clocks, for comparisons of what was recorded with what was true.
    """
    content = _YardFile.model_validate(yaml.safe_load(file.read_text(encoding="utf-8")))
    cranes = tuple(
        _crane(
            entry.model_copy(update={"faults": Faults()}) if healthy else entry,
            content.site,
            reference_day,
            number,
        )
        for number, entry in enumerate(content.cranes, content.first_number)
    )
    return Yard(site=content.site, cranes=cranes)


def field_cases(reference_day: date = REFERENCE_DAY, names: Collection[str] | None = None) -> Yard:
    """Cranes on each of which one thing is as it is in the field: attachments, zero, masses, units, clocks.

    names: only these. Raises NotFound for a name that is none of theirs.
    """
    yard = load_yard(reference_day, file=FIELD_FILE)
    if names is None:
        return yard
    for name in names:
        yard.crane(name)
    return Yard(site=yard.site, cranes=tuple(crane for crane in yard.cranes if crane.name in names))


def _crane(entry: _Entry, site: Site, reference_day: date, number: int) -> YardCrane:
    nominal = load_machine(entry.type)
    commissioned_on = reference_day - timedelta(days=round(entry.age_years * _DAYS_PER_YEAR))
    prior = entry.unknown_years if entry.prior_duty is None else (entry.prior_duty.years or 0.0)
    logging_since = commissioned_on + timedelta(days=round(prior * _DAYS_PER_YEAR))
    crane = Crane(
        name=entry.name,
        title=f"{entry.title} (invented)",
        type=nominal.crane_type,
        site=site.name,
        registered_at=datetime.combine(logging_since, time(), tzinfo=UTC),
        manufactured_on=commissioned_on - timedelta(days=entry.stock_days),
        commissioned_on=commissioned_on,
        design=entry.design,
        design_years=entry.design_years,
        prior_duty=entry.prior_duty,
        recorder_runs=entry.recorder_runs,
    )
    return YardCrane(
        crane=crane,
        site=site,
        machine=with_boom_masses(nominal, entry.faults.boom_mass_factor),
        scenarios=entry.scenarios,
        habit=entry.habit,
        faults=entry.faults,
        attachment=entry.attachment,
        expected=entry.expected,
        offline_share=entry.offline_share,
        counters=entry.counters,
        thin_link=entry.thin_link,
        story=entry.story,
        reference_day=reference_day,
        number=number,
    )
