"""What the records of a crane's life do to its figures: one rule for answers, screens and reports.

    crack, finding     the special assessment is due from its day on, until it is closed; a crack until a special assessment
                       on or after its day as well
    inspection, repair closes findings and cracks from its day on; completes a service interval
    calibration        of utilisation: sets the assumed pressure bias before it (what it found) and after it (what it left)
    changed detail     the damage sum of the weld detail of that name begins again with its day

A record that was withdrawn does nothing. No record changes what was counted.
"""

from collections.abc import Collection, Iterable, Mapping, Sequence
from datetime import date
from types import MappingProxyType
from typing import Final, NamedTuple, Protocol

from domain.exclusion import UTILISATION
from domain.life_record import CLOSERS, DEFECTS, Calibration, Defect, Effect, RecordKind
from duty.assessment import calls


class Record(Protocol):
    """What the rule needs of a record as it stands; `closed_on` of a defect that a record in force closes."""

    @property
    def record_id(self) -> int: ...
    @property
    def kind(self) -> str: ...
    @property
    def happened_on(self) -> date: ...
    @property
    def note(self) -> str: ...
    @property
    def detail(self) -> str | None: ...
    @property
    def length_mm(self) -> float | None: ...
    @property
    def channel(self) -> str | None: ...
    @property
    def found_error_pct(self) -> float | None: ...
    @property
    def left_error_pct(self) -> float | None: ...
    @property
    def service_interval(self) -> str | None: ...
    @property
    def closed_on(self) -> date | None: ...
    @property
    def withdrawn(self) -> bool: ...


class Noted(NamedTuple):
    """What the records in force of one crane do to its figures."""

    defects: Sequence[Defect] = ()
    calibrations: Sequence[Calibration] = ()  # of utilisation, in time order
    changed_details: Mapping[str, date] = MappingProxyType({})  # last change of each, by name


NOTHING_NOTED: Final = Noted()


def noted_in(rows: Sequence[Record]) -> Noted:
    """The same from its records as they stand."""
    return Noted(defects_in(rows), calibrations_in(rows), changed_details_in(rows))


def defect_of(row: Record) -> Defect:
    """A finding or crack for the rule of the special assessment."""
    return Defect(
        RecordKind(row.kind), row.happened_on, row.closed_on, row.detail or "", row.length_mm, row.note
    )


def defects_in(rows: Iterable[Record]) -> list[Defect]:
    """Findings and cracks in force."""
    return [defect_of(row) for row in rows if row.kind in DEFECTS and not row.withdrawn]


def calibrations_in(rows: Iterable[Record]) -> list[Calibration]:
    """Calibrations of utilisation in force, in time order; of one day the last one entered."""
    found = {
        row.happened_on: Calibration(row.happened_on, row.found_error_pct, row.left_error_pct)
        for row in sorted(rows, key=lambda row: (row.happened_on, row.record_id))
        if row.channel == UTILISATION and row.left_error_pct is not None and not row.withdrawn
    }
    return list(found.values())


def changed_details_in(rows: Iterable[Record]) -> dict[str, date]:
    """Day of the last change in force of each detail or component, by its name."""
    found: dict[str, date] = {}
    for row in rows:
        if row.kind == RecordKind.CHANGED_DETAIL and row.detail and not row.withdrawn:
            found[row.detail] = max(row.happened_on, found.get(row.detail, row.happened_on))
    return found


def effects(
    rows: Sequence[Record],
    *,
    details: Collection[str],
    first_day: date | None,
    assessed_on: date | None,
) -> dict[int, Effect]:
    """By record_id, what each record does. details: names of the weld details that apply; first_day: first recorded day."""
    changed, calibrated = changed_details_in(rows), {one.day: one for one in calibrations_in(rows)}
    last_of_day = {
        row.happened_on: row.record_id
        for row in sorted(rows, key=lambda row: row.record_id)
        if row.channel == UTILISATION and not row.withdrawn
    }

    def of_change(row: Record) -> Effect:
        if row.detail is None or row.detail not in details:
            return Effect.NO_SUCH_DETAIL
        if row.happened_on < changed[row.detail]:
            return Effect.SUPERSEDED
        return Effect.SUM_BEGINS if begins_sum(row.happened_on, first_day) else Effect.SUM_OF_RECORD

    def of(row: Record) -> Effect:
        if row.withdrawn:
            return Effect.WITHDRAWN
        if row.kind in DEFECTS:
            if not calls(defect_of(row), assessed_on):
                return Effect.CLOSED
            return Effect.CALLS if row.closed_on is None else Effect.CALLS_UNTIL_ASSESSED
        if row.kind == RecordKind.CHANGED_DETAIL:
            return of_change(row)
        if row.kind == RecordKind.CALIBRATION:
            if row.channel != UTILISATION:
                return Effect.OTHER_CHANNEL
            in_force = row.happened_on in calibrated and last_of_day[row.happened_on] == row.record_id
            return Effect.BIAS if in_force else Effect.SUPERSEDED
        return Effect.INTERVAL if row.kind in CLOSERS and row.service_interval else Effect.NONE

    return {row.record_id: of(row) for row in rows}


def begins_sum(changed_on: date | None, first_day: date | None) -> bool:
    """Whether a changed detail is counted from its own day: one changed before the record has all of it, and what is carried."""
    return changed_on is not None and first_day is not None and changed_on > first_day
