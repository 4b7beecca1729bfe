"""Kinds of work as readable files: how many stops and lifts, what hangs on the hook, where it goes."""

from functools import lru_cache
from pathlib import Path
from typing import Annotated, Final, Self

import yaml
from pydantic import AfterValidator, BaseModel, ConfigDict, Field, model_validator

SCENARIOS_FOLDER: Final = Path(__file__).parent / "scenarios"


def _rising(pair: tuple[float, float]) -> tuple[float, float]:
    if pair[0] > pair[1]:
        raise ValueError("the first number of a range must not be larger than the second")
    return pair


Range = Annotated[tuple[float, float], AfterValidator(_rising)]
Count = Annotated[tuple[int, int], AfterValidator(_rising)]


class _Part(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")


class Load(_Part):
    """One kind of load: its share of the lifts and the range of its mass."""

    share: float = Field(gt=0, le=1)
    low_kg: float = Field(gt=0)
    high_kg: float = Field(gt=0)


class Pick(_Part):
    """Where loads are picked up: on the load bed or beside it."""

    outreach_m: Range
    height_m: Range


class Place(_Part):
    """Where loads go: outreach as a share of the crane's reach, and hook height."""

    reach_share: Range
    height_m: Range


class Scenario(_Part):
    """One kind of work. Every figure is assumed; ranges are drawn from evenly."""

    title: str
    stops: Count = Field(description="working places a day")
    lifts: Count = Field(description="lifts at a stop")
    travel_min: Range = Field(description="travel before each stop [min]")
    loads: tuple[Load, ...] = Field(min_length=1)
    pick: Pick
    place: Place
    side_deg: Range = Field(description="slewing angle of the places, mirrored to the side of the stop [deg]")
    rigging_s: Range = Field(description="from hook at the load to load on the hook [s]")
    release_s: Range = Field(description="from load set down to hook free [s]")
    spread_pct: dict[int, float] = Field(description="stabiliser on the working side [%]: how often")

    @model_validator(mode="after")
    def _shares_make_one(self) -> Self:
        for name, total in (
            ("loads", sum(load.share for load in self.loads)),
            ("spread_pct", sum(self.spread_pct.values())),
        ):
            if abs(total - 1.0) > 1e-9:
                raise ValueError(f"the shares of {name} must add up to 1, found {total:g}")
        return self


@lru_cache(maxsize=64)
def load_scenario(name: str) -> Scenario:
    """The scenario of simulator/scenarios/{name}.yaml."""
    text = (SCENARIOS_FOLDER / f"{name}.yaml").read_text(encoding="utf-8")
    return Scenario.model_validate(yaml.safe_load(text))
