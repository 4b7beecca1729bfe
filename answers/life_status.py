"""The life status of a fleet, for dispatch: life used, special assessment, services due, whether cranes were ever heard."""

import json
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from functools import cache, lru_cache

import numpy as np
from numpy.typing import NDArray

from domain.crane import DesignClass
from domain.detail import DetailSpec
from domain.errors import InvalidInput
from duty import service
from duty.assessment import by_entries
from duty.capacity import Flags, Floats, Ints
from duty.damage import Detail, detail_of
from duty.spectrum import design_limits
from store.charts import ListedCrane
from store.findings import FindingSpan
from store.service import ServiceState
from store.summary import DefaultDetail, LifeOfCranes


@dataclass(frozen=True, kw_only=True)
class LifeOfFleet:
    """Life used and services due of each crane of a listed fleet; arrays by crane."""

    overdue: dict[int, str]  # index of a crane to the name of the service that is overdue
    assessment_on: NDArray[np.datetime64]  # day on which the special assessment is due
    heard: Flags  # whether the crane has ever sent anything
    findings: dict[int, tuple[str, ...]]  # index of a crane to what cannot be true of its readings of late
    used_share: Floats  # NaN where not known
    f1: Floats
    damage: Floats
    details: tuple[tuple[Detail, Ints], ...]  # weld details entered, each with the indices of its cranes


@cache
def design_figures(design: str | None) -> tuple[float, float]:
    """Lifts and kQ of a design class given as JSON; NaN where it is not entered or has no limit."""
    if design is None:
        return math.nan, math.nan
    try:
        return design_limits(DesignClass.model_validate_json(design))
    except InvalidInput:
        return math.nan, math.nan


@lru_cache(maxsize=65_536)
def _due_by_entries(entries: str) -> date:
    """Day of the special assessment by what is entered of a crane alone."""
    return by_entries(json.loads(entries)).on


def life_status_of(
    rows: Sequence[ListedCrane],
    places: Mapping[str, int],
    life: LifeOfCranes,
    entered: list[DefaultDetail],
    states: list[ServiceState],
    found: list[FindingSpan],
    today: date,
) -> LifeOfFleet:
    """The life status of cranes: `rows` of a fleet, and by name their places in it."""
    place = [places.get(name, -1) for name in life.cranes]
    known = np.array(place, np.intp)

    def by_crane(values: list[float | None]) -> Floats:
        spread = np.full(len(rows), np.nan)
        spread[known[known >= 0]] = numbers(values)[known >= 0]
        return spread

    assessment_on = np.full(len(rows), np.datetime64("NaT", "D"), "datetime64[D]")
    heard = np.zeros(len(rows), np.bool_)
    for index, due, sent in zip(place, life.assessment_ons, life.heard, strict=True):
        if index >= 0:
            heard[index] = sent
            if due is not None:
                assessment_on[index] = due
    # The entries alone decide where nothing was counted yet, and where something was entered since that makes it due earlier.
    by_entries = np.array([_due_by_entries(row.entries) for row in rows], "datetime64[D]")
    assessment_on = np.fmin(assessment_on, by_entries)
    return LifeOfFleet(
        overdue={places[name]: plan for name, plan in _overdue(states, today).items() if name in places},
        assessment_on=assessment_on,
        heard=heard,
        findings=_findings(found, places),
        used_share=by_crane(life.used_shares),
        f1=by_crane(life.f1s),
        damage=by_crane(life.damages),
        details=_details(rows, place, life.detail_names, _DetailsEntered(entered)),
    )


def _findings(found: Sequence[FindingSpan], places: Mapping[str, int]) -> dict[int, tuple[str, ...]]:
    """Codes of what was found at each crane, by its place, each once."""
    codes: dict[int, tuple[str, ...]] = {}
    for one in found:
        if one.crane in places:
            known = codes.get(places[one.crane], ())
            codes[places[one.crane]] = tuple(dict.fromkeys((*known, one.code)))
    return codes


def _details(
    rows: Sequence[ListedCrane], place: list[int], names: list[str | None], entered: "_DetailsEntered"
) -> tuple[tuple[Detail, Ints], ...]:
    """Each weld detail that cranes are compared by, with the places of the cranes that it is of."""
    found: dict[DetailSpec, list[int]] = {}
    for index, name in zip(place, names, strict=True):
        spec = None if index < 0 or name is None else entered.of(name, rows[index])
        if spec is not None:
            found.setdefault(spec, []).append(index)
    return tuple((detail_of("default", spec), np.array(indices, np.intp)) for spec, indices in found.items())


class _DetailsEntered:
    """Weld details entered as the default of a crane, of a type or of the fleet; the nearest one holds."""

    def __init__(self, entered: list[DefaultDetail]) -> None:
        self._specs = {
            (one.name, one.crane, one.type_id): DetailSpec.model_validate(one.spec) for one in entered
        }

    def of(self, name: str, crane: ListedCrane) -> DetailSpec | None:
        keys = ((name, crane.name, None), (name, None, crane.type_id), (name, None, None))
        return next((self._specs[key] for key in keys if key in self._specs), None)


def _overdue(states: list[ServiceState], today: date) -> dict[str, str]:
    """By crane, the first interval that is used up."""
    found: dict[str, str] = {}
    for state in states:
        if service.interval_due(state, today).overdue:
            found.setdefault(state.crane, state.plan)
    return found


def numbers(values: list[float | None]) -> Floats:
    """Figures as an array, NaN where one is not known."""
    return np.array([math.nan if value is None else value for value in values], float)
