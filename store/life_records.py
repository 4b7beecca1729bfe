"""Records that belong to a crane's life, with their versions and files. Nothing is changed or taken out, only added.

rows = await life_records(conn, crane_id)         # as they stand, the newest day first, withdrawn ones included
files = await LIFE_RECORD_FILES.all_async(conn, crane_id=crane_id, record_id=None)
"""

import hashlib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date
from typing import Any, Final

from psycopg import AsyncConnection, Connection

from domain.errors import Conflict, InvalidInput, NotFound
from domain.life_record import (
    DEFECTS,
    FILES_MAX,
    LifeRecord,
    LifeRecordAsked,
    LifeRecordFileRow,
    LifeRecordVersionRow,
    RecordKind,
)
from store.locks import wait_for_life_records
from store.statement import Statement, run, scalar


@dataclass(frozen=True, kw_only=True, slots=True)
class FileContent:
    """A file with its bytes."""

    name: str
    media_type: str
    sha256: str
    content: bytes


@dataclass(frozen=True, kw_only=True, slots=True)
class _Size:
    size_bytes: int
    of_record: int


@dataclass(frozen=True, kw_only=True, slots=True)
class _Name:
    name: str


LIFE_RECORDS: Final = Statement("life_records", LifeRecord)
LIFE_RECORD_VERSIONS: Final = Statement("life_record_versions", LifeRecordVersionRow)
LIFE_RECORD_FILES: Final = Statement("life_record_files", LifeRecordFileRow)
FILE_CONTENT: Final = Statement("life_record_file_content", FileContent)
SERVICE_INTERVAL_NAMES: Final = Statement("service_interval_names", _Name)
_FILES_SIZE: Final = Statement("life_record_files_size", _Size)


async def life_records(
    conn: AsyncConnection[Any], crane_id: int, record_id: int | None = None
) -> list[LifeRecord]:
    """Records of one crane as they stand, the newest day first, withdrawn ones included; or the one with a number."""
    return await LIFE_RECORDS.all_async(conn, crane_id=crane_id, record_id=record_id)


def add_record(
    conn: Connection[Any], crane_id: int, asked: LifeRecordAsked, account: str, *, today: date
) -> int:
    """Enter a record, in the transaction of the caller; its number. One that says the same in force is that one.

    today: the crane's local day. Raises InvalidInput for a day to come, or a record or interval that it names and is not there.
    """
    wait_for_life_records(conn, crane_id)
    rows = LIFE_RECORDS.all(conn, crane_id=crane_id, record_id=None)
    _check(conn, crane_id, asked, rows, today)
    given = _given(asked)
    for row in rows:
        if not row.withdrawn and all(_same(getattr(row, name), value) for name, value in given.items()):
            return row.record_id
    params = {**given, "crane_id": crane_id, "account": account}
    number = int(scalar(conn, "life_record_added", **params))
    run(conn, "summary_outdated", crane_id=crane_id)
    return number


def correct_record(
    conn: Connection[Any],
    crane_id: int,
    record_id: int,
    asked: LifeRecordAsked,
    reason: str,
    account: str,
    *,
    today: date,
) -> None:
    """Have a record say something else; what it said is kept. Raises NotFound, Conflict where it is withdrawn, InvalidInput."""
    wait_for_life_records(conn, crane_id)
    rows = LIFE_RECORDS.all(conn, crane_id=crane_id, record_id=None)
    before = _in_force(rows, record_id)
    _check(conn, crane_id, asked, [row for row in rows if row.record_id != record_id], today)
    for row in rows:
        if row.withdrawn or record_id not in row.closes:
            continue
        if asked.kind not in DEFECTS or asked.happened_on > row.happened_on:
            raise InvalidInput(
                f"record {row.record_id} of {row.happened_on} closes this one: correct or withdraw that record first",
                field="kind" if asked.kind not in DEFECTS else "happened_on",
            )
    _add_version(conn, crane_id, before, _given(asked), reason, account)


def withdraw_record(conn: Connection[Any], crane_id: int, record_id: int, reason: str, account: str) -> None:
    """Withdraw a record: it stays in the list and has no effect any more. Harmless where it was withdrawn before."""
    wait_for_life_records(conn, crane_id)
    rows = LIFE_RECORDS.all(conn, crane_id=crane_id, record_id=record_id)
    if rows and rows[0].withdrawn:
        return
    before = _in_force(rows, record_id)
    _add_version(conn, crane_id, before, _given(before), reason, account, withdrawn=True)


def attach_file(
    conn: Connection[Any],
    crane_id: int,
    record_id: int,
    *,
    name: str,
    media_type: str,
    content: bytes,
    account: str,
    bytes_max_of_crane: int,
) -> int | None:
    """Attach a file to a record in force; its number, None where the record has the same bytes.

    Raises NotFound, Conflict, and InvalidInput where the crane's files would be larger than allowed or too many.
    """
    wait_for_life_records(conn, crane_id)
    _in_force(LIFE_RECORDS.all(conn, crane_id=crane_id, record_id=record_id), record_id)
    params = {
        "crane_id": crane_id, "record_id": record_id, "name": name, "media_type": media_type, "size_bytes": len(content),
        "sha256": hashlib.sha256(content).hexdigest(), "content": content, "account": account,
    }  # fmt: skip
    size = _FILES_SIZE.first(conn, crane_id=crane_id, record_id=record_id)
    assert size is not None  # an aggregate has a row
    added: int | None = scalar(conn, "life_record_file_added", **params)
    if added is None:
        return None
    if size.size_bytes + len(content) > bytes_max_of_crane:
        raise InvalidInput(
            f"files of the records of one crane have at most {bytes_max_of_crane} bytes, {size.size_bytes} are taken:"
            " attach a smaller file",
            field="file",
        )
    if size.of_record >= FILES_MAX:
        raise InvalidInput(f"a record has at most {FILES_MAX} files: enter another record", field="file")
    return added


def _given(asked: LifeRecordAsked | LifeRecord) -> dict[str, Any]:
    given = asked.model_dump(mode="json", include=set(LifeRecordAsked.model_fields))
    return {**given, "happened_on": asked.happened_on, "closes": sorted(set(asked.closes))}


def _same(one: object, other: object) -> bool:
    return one == other or (
        isinstance(one, tuple) and isinstance(other, list) and sorted(one) == sorted(other)
    )


def _in_force(rows: Iterable[LifeRecord], record_id: int) -> LifeRecord:
    row = next((one for one in rows if one.record_id == record_id), None)
    if row is None:
        raise NotFound(f"this crane has no record {record_id}: see its list of records")
    if row.withdrawn:
        raise Conflict(f"record {record_id} is withdrawn: enter a new one")
    return row


def _add_version(
    conn: Connection[Any],
    crane_id: int,
    before: LifeRecord,
    values: Mapping[str, Any],
    reason: str,
    account: str,
    *,
    withdrawn: bool = False,
) -> None:
    run(
        conn,
        "life_record_version_added",
        **values,
        crane_id=crane_id,
        record_id=before.record_id,
        version=before.version + 1,
        withdrawn=withdrawn,
        reason=reason,
        account=account,
    )
    run(conn, "summary_outdated", crane_id=crane_id)


def _check(
    conn: Connection[Any], crane_id: int, asked: LifeRecordAsked, others: Iterable[LifeRecord], today: date
) -> None:
    """Refuses a day to come, and what a record names where it is not there."""
    if asked.happened_on > today:
        raise InvalidInput(
            f"happened_on lies in the future: enter it from {asked.happened_on} on", field="happened_on"
        )
    rows = {row.record_id: row for row in others if not row.withdrawn}
    for number in asked.closes:
        row = rows.get(number)
        if row is None or row.kind not in DEFECTS:
            raise InvalidInput(
                f"record {number} is no finding or crack of this crane in force", field="closes"
            )
        if row.happened_on > asked.happened_on:
            raise InvalidInput(
                f"record {number} is of {row.happened_on}: it cannot be closed on {asked.happened_on}",
                field="closes",
            )
    if asked.found_in is not None:
        row = rows.get(asked.found_in)
        if row is None or row.kind != RecordKind.INSPECTION:
            raise InvalidInput(
                f"record {asked.found_in} is no inspection of this crane in force", field="found_in"
            )
    if asked.service_interval is not None:
        names = [one.name for one in SERVICE_INTERVAL_NAMES.all(conn, crane_id=crane_id)]
        if asked.service_interval not in names:
            raise InvalidInput(
                f"no service interval {asked.service_interval!r} applies to this crane: {', '.join(names) or 'it has none'}",
                field="service_interval",
            )
