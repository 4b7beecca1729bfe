"""The job of the dispatch page: as it stands in the address, as it is typed, and what is wrong with it by field.

Numbers in the address are SI; people type them in their own units. Times in the address are UTC; people type those of
the yard.
"""

import math
import re
from collections.abc import Mapping
from datetime import UTC, datetime
from typing import Any, Final, NamedTuple
from urllib.parse import urlencode
from zoneinfo import ZoneInfo

from annotated_types import Ge, Gt, Le
from pydantic import ValidationError

from domain.crane import QUARTERS
from domain.dispatch_answers import DispatchQuestion
from domain.job import (
    DEFAULT_HOISTING_FACTOR,
    DEFAULT_PLANNING_LIMIT_PCT,
    JibRule,
    LiftJob,
    Position,
    Weights,
)
from words import numbers
from words.numbers import Units
from words.texts import t


class Field(NamedTuple):
    """A number of the job: its name in the address, what it measures, and what holds when nothing is typed."""

    name: str
    kind: str  # mass, length, pressure, area, speed, angle or plain
    default: float | None = None
    needed: bool = False
    step: float = 0.5


LOAD: Final = (
    Field("mass_kg", "mass", needed=True, step=0.1),
    Field("rigging_kg", "mass", needed=True, step=0.05),
)
PLACE: Final = (
    Field("outreach_m", "length", needed=True),
    Field("hook_height_m", "length"),
)
PICK: Final = (
    Field("pick_outreach_m", "length"),
    Field("pick_hook_height_m", "length"),
)
OBSTACLE: Final = (
    Field("obstacle_height_m", "length"),
    Field("below_hook_m", "length"),
    Field("clearance_m", "length"),
)
GROUND: Final = (
    Field("ground_bearing_kpa", "pressure", step=50),
    Field("plate_area_m2", "area", step=0.05),
    Field("wind_m_s", "speed", step=1),
    Field("slope_deg", "angle", step=0.5),
)
PLANNING: Final = (
    Field("planning_limit_pct", "plain", DEFAULT_PLANNING_LIMIT_PCT, step=5),
    Field("hoisting_factor", "plain", DEFAULT_HOISTING_FACTOR, step=0.05),
)
WEIGHTS: Final = tuple(
    Field(f"w_{name}", "plain", float(one.default), step=1) for name, one in Weights.model_fields.items()
)
NUMBERS: Final = (*LOAD, *PLACE, *PICK, *OBSTACLE, *GROUND, *PLANNING, *WEIGHTS)
CHOICES: Final[dict[str, str]] = {
    "sector": "",
    "pick_sector": "",
    "way": "",
    "spread_left": "",
    "spread_right": "",
    "jib": JibRule.ANY,
    "sectors": ",".join(QUARTERS),
    "tolerated": "",
}
"""Fields that are words, with what holds when nothing is chosen."""
_CLOCK: Final = re.compile(r"(\d{1,2}):(\d\d)(?::00)?")
JOB_KEYS: Final = (*(one.name for one in NUMBERS), *CHOICES, "from", "to")


def factor_of(one: Field, units: Units) -> float:
    """SI units in one unit as typed."""
    return numbers.factor(one.kind, units)


def unit_of(one: Field, units: Units) -> str:
    """The unit as typed; empty for what has none."""
    if one.kind == "plain":
        return t(f"unit.{one.name}") if one == PLANNING[0] else ""
    return t(f"unit.{one.kind}.{units}")


class Bad(Exception):
    """What is wrong with a job, by field; the empty name is the job as a whole."""

    def __init__(self, problems: Mapping[str, str]) -> None:
        super().__init__("; ".join(problems.values()))
        self.problems = dict(problems)


def asked_for(query: Mapping[str, str]) -> bool:
    """Whether the address holds a job."""
    return "mass_kg" in query or "outreach_m" in query


def question_of(query: Mapping[str, str], units: Units = Units.METRIC) -> DispatchQuestion:
    """The job in an address. Raises Bad, which names each field with the range that it allows."""
    values: dict[str, float] = {}
    problems: dict[str, str] = {}
    for one in NUMBERS:
        if one.name in query:
            try:
                values[one.name] = float(query[one.name])
            except ValueError:
                problems[one.name] = t("dispatch.no_number")
        elif one.needed:
            problems[one.name] = t("dispatch.needed", allowed=allowed(one, units))
    if "pick_outreach_m" not in query and ("pick_hook_height_m" in query or query.get("pick_sector")):
        problems["pick_outreach_m"] = t("dispatch.needed", allowed=allowed(PICK[0], units))
    if problems:
        raise Bad(problems)
    words = {name: query.get(name, default) for name, default in CHOICES.items()}
    payload: dict[str, Any] = {
        name: value for name, value in values.items() if not name.startswith(("pick_", "w_"))
    }
    payload |= {name: words[name] or None for name in ("spread_left", "spread_right", "sector", "way")}
    payload["jib"] = words["jib"]
    payload["sectors"] = [word for word in words["sectors"].split(",") if word]
    payload["tolerated_faults"] = [word.strip() for word in words["tolerated"].split(",") if word.strip()]
    payload["weights"] = {name[2:]: value for name, value in values.items() if name.startswith("w_")}
    if "pick_outreach_m" in values:
        payload["pick"] = {
            "outreach_m": values["pick_outreach_m"],
            "hook_height_m": values.get("pick_hook_height_m"),
            "sector": words["pick_sector"] or None,
        }
    if "from" in query and "to" in query:
        payload["window"] = {"starts_at": query["from"], "ends_at": query["to"]}
    try:
        return DispatchQuestion.model_validate(payload)
    except ValidationError as problem:
        raise Bad(problems_by_field(problem, units)) from problem


def problems_by_field(problem: ValidationError, units: Units) -> dict[str, str]:
    """What a question refuses, by field, with the range that each number allows."""
    found: dict[str, str] = {}
    known = {one.name: one for one in NUMBERS}
    for error in problem.errors():
        place = [str(part) for part in error["loc"]]
        name = place[0] if place else ""
        if name in ("pick", "weights") and len(place) > 1:
            name = f"{'w' if name == 'weights' else name}_{place[1]}"
        name = {"window": "to", "tolerated_faults": "tolerated"}.get(name, name)
        words = str(error["msg"]).removeprefix("Value error, ")
        if name in known:
            words = t("dispatch.allowed", allowed=allowed(known[name], units))
        found.setdefault(name if name in JOB_KEYS else "", words)
    return found


def allowed(one: Field, units: Units) -> str:
    """The range that a number allows, in the units of the person."""
    model: Any = LiftJob
    name = one.name
    if name.startswith("pick_"):
        model, name = Position, name.removeprefix("pick_")
    elif name.startswith("w_"):
        model, name = Weights, name.removeprefix("w_")
    low, high = "", ""
    for part in model.model_fields[name].metadata:
        factor, unit = factor_of(one, units), unit_of(one, units)
        if isinstance(part, Gt):
            low = t("dispatch.above", value=_figure(part.gt, factor))
        elif isinstance(part, Ge):
            low = _figure(part.ge, factor)
        elif isinstance(part, Le):
            high = f"{_figure(part.le, factor)}{numbers.NBSP}{unit}".rstrip()
    return t("dispatch.range", low=low, high=high)


def _figure(value: Any, factor: float) -> str:
    shown = float(value) / factor
    return numbers.plain(shown, 0 if shown == round(shown) or abs(shown) >= 100 else 1)


def query_of_typed(
    typed: Mapping[str, Any], chosen: Mapping[str, Any], units: Units, zone: ZoneInfo
) -> dict[str, str]:
    """The address of a job as typed. Raises Bad as `question_of` does."""
    query: dict[str, str] = {}
    for one in NUMBERS:
        value = typed.get(one.name)
        if isinstance(value, int | float) and math.isfinite(value):
            in_si = value * factor_of(one, units)
            if one.default is None or not math.isclose(in_si, one.default, rel_tol=1e-6, abs_tol=1e-6):
                query[one.name] = f"{in_si:.6g}"
    for name, default in CHOICES.items():
        value = chosen.get(name, default)
        word = (
            ",".join(one for one in QUARTERS if one in value) if isinstance(value, list) else str(value or "")
        )
        if word != default and (word or name == "sectors"):
            query[name] = word
    query |= _window_typed(chosen, zone)
    question_of(query, units)
    return query


def _window_typed(chosen: Mapping[str, Any], zone: ZoneInfo) -> dict[str, str]:
    day, start, end = (str(chosen.get(name) or "") for name in ("day", "from", "to"))
    if not day and not start and not end:
        return {}
    missing = {
        name: t("dispatch.when.missing")
        for name, value in (("day", day), ("from", start), ("to", end))
        if not value
    }
    if missing:
        raise Bad(missing)
    try:
        times = [
            clock_time(day[:10], clock, zone, latest=latest)
            for clock, latest in ((start, False), (end, True))
        ]
    except ValueError as problem:
        raise Bad({"from": t("dispatch.when.unreadable")}) from problem
    if times[1] <= times[0]:
        raise Bad({"to": t("dispatch.when.order")})
    return dict(zip(("from", "to"), (address_time(one) for one in times), strict=True))


def clock_time(day: str, clock: str, zone: ZoneInfo, *, latest: bool) -> datetime:
    """The moment [UTC] of a clock time, "8:30" or "08:30", on an ISO day of a zone.

    Where the clocks change a time can come twice or not at all: of the two moments that may be meant the earlier, or the latest, so
    that a window from one to the other is never too short. Raises ValueError for anything else, so that no word behind the time is lost.
    """
    found = _CLOCK.fullmatch(clock.strip())
    if found is None:
        raise ValueError(f"{clock!r} is no time: hours and minutes, 08:30")
    local = datetime.fromisoformat(f"{day}T{found[1]:0>2}:{found[2]}")
    meant = [local.replace(tzinfo=zone, fold=fold).astimezone(UTC) for fold in (0, 1)]
    return max(meant) if latest else min(meant)


def address_time(when: datetime) -> str:
    """A time as it stands in an address."""
    return when.astimezone(UTC).strftime("%Y-%m-%dT%H:%MZ")


def job_query(query: Mapping[str, str]) -> dict[str, str]:
    """What of an address is the job itself."""
    return {name: query[name] for name in JOB_KEYS if name in query}


def address_of(question: DispatchQuestion, **more: str) -> str:
    """The address of the dispatch page for a job."""
    given = question.model_dump(mode="json")
    query: dict[str, str] = {}
    pick = given.pop("pick") or {}
    flat = given | {f"pick_{name}": value for name, value in pick.items()}
    flat |= {f"w_{name}": value for name, value in given["weights"].items()}
    for one in NUMBERS:
        value = flat.get(one.name)
        if value is not None and value != one.default:
            query[one.name] = f"{value:.6g}"
    flat["sectors"] = ",".join(one for one in QUARTERS if one in question.sectors)
    flat["tolerated"] = ",".join(sorted(question.tolerated_faults))
    for name, default in CHOICES.items():
        word = str(flat.get(name) or "")
        if word != default and word:
            query[name] = word
    if question.window is not None:
        query["from"] = address_time(question.window.starts_at)
        query["to"] = address_time(question.window.ends_at)
    return f"/dispatch?{urlencode(query | more)}"
