"""What tells of a person: how long it is kept, how it is given, and how it is removed."""

import json
import secrets
from dataclasses import dataclass, field
from typing import Any, Final, Literal

from psycopg import Connection
from psycopg.rows import dict_row
from psycopg.sql import SQL, Composed, Identifier

from domain.errors import Conflict, InvalidInput, NotFound
from store.audit import note_command
from store.sql import query
from store.statement import run

FAILED_LOG_INS_DAYS: Final = 1
KNOWN_ADDRESSES_DAYS: Final = 30
KEPT_ANSWERS_DAYS: Final = 2
"""Of idempotency keys, which hold for a day."""
ROWS_AT_ONCE: Final = 20_000


@dataclass(frozen=True, kw_only=True, slots=True)
class Retention:
    """Days that rows are kept (docs/privacy.md says why so long); None: as long as the crane."""

    audit_days: float = 730
    reads_days: float = 180
    sessions_days: float = 30
    reservations_days: float | None = None
    exported_to: str | None = None
    """Lines of the audit that have not gone there yet stay."""


def remove_past(conn: Connection[Any], keep: Retention) -> dict[str, int]:
    """Remove what is past its time, on a connection in autocommit; rows by what they were. Much of it goes in several turns."""
    days: dict[str, float | None] = {
        "past_reads": keep.reads_days,
        "past_audit": keep.audit_days,
        "past_sessions": keep.sessions_days,
        "past_tokens": keep.sessions_days,
        "past_failed_log_ins": FAILED_LOG_INS_DAYS,
        "past_known_addresses": KNOWN_ADDRESSES_DAYS,
        "past_kept_answers": KEPT_ANSWERS_DAYS,
        "past_reservations": keep.reservations_days,
    }
    return {
        name.removeprefix("past_"): run(
            conn, name, days=most, rows=ROWS_AT_ONCE, exported_to=keep.exported_to
        )
        for name, most in days.items()
        if most is not None
    }


@dataclass(frozen=True, slots=True)
class Place:
    """A column that names people, and what removing somebody does there.

    gone: the row goes, or goes with the account. pseudonym: the row stays, under another name. signed: likewise, but only where it is
    asked for, because who did it is what the record is worth. finished: a finished dossier, which the database lets nobody change.
    """

    table: str
    column: str
    then: Literal["gone", "pseudonym", "signed", "finished"] = "pseudonym"
    hidden: tuple[str, ...] = ()
    """Columns that are not given: secrets, and the contents of files, which can be downloaded."""

    @property
    def name(self) -> str:
        """Table and column."""
        return f"{self.table}.{self.column}"


PLACES: Final = (
    Place("account", "name", "gone", ("password_hash",)),
    Place("session", "account_id", "gone", ("secret_sha256",)),
    Place("api_token", "account_id", "gone", ("secret_sha256",)),
    Place("known_address", "account_id", "gone"),
    Place("reset_link", "account_id", "gone", ("secret_sha256",)),
    Place("login_attempt", "account_name", "gone"),
    Place("idempotency", "account_name", "gone", ("body", "request_sha256")),
    Place("audit", "account_name"),
    Place("crane_description", "entered_by"),
    Place("detail", "entered_by"),
    Place("counter_reading", "entered_by"),
    Place("counter_reading", "withdrawn_by"),
    Place("exclusion", "entered_by"),
    Place("exclusion", "withdrawn_by"),
    Place("further_channel", "registered_by"),
    Place("further_channel", "withdrawn_by"),
    Place("clock_correction", "entered_by"),
    Place("clock_correction", "withdrawn_by"),
    Place("load_chart_version", "imported_by", hidden=("charts",)),
    Place("quarantine_replay", "asked_by"),
    Place("reservation", "held_by"),
    Place("reservation", "released_by"),
    Place("alert_rule", "entered_by"),
    Place("alert_target", "entered_by"),
    Place("alert", "acknowledged_by"),
    Place("alert_history", "by_whom"),
    Place("alert_shelf", "shelved_by"),
    Place("overload_decision", "decided_by"),
    Place("life_record", "entered_by"),
    Place("life_record_file", "attached_by", hidden=("content",)),
    Place("life_record", "person", "signed"),
    Place("service_done", "done_by", "signed"),
    Place("dossier", "finished_by", "finished", ("data", "pdf")),
)
NOBODY: Final = ("", "command line", "open access", "unknown account")
"""Names under which the audit and entries tell of no person."""
RECIPIENT: Final = "alert_target.recipients"
ALERTS_OF_TOKENS: Final = "alert.detail"
"""Alerts about tokens say whose they are in their text; they go with the account."""


@dataclass(frozen=True, kw_only=True, slots=True)
class KeptThere:
    """What a column tells of a person: how many rows, and the newest of them."""

    place: str
    count: int
    rows: list[dict[str, Any]]


def kept(conn: Connection[Any], name: str, most: int | None = None) -> tuple[list[KeptThere], list[str]]:
    """What is kept under a name, the newest rows of each place (`most`; None: all of them), and the places that the role may not read.

    name: of an account, of a person as it was typed into a record, or an e-mail address; it is looked for exactly as it is written.
    """
    found, withheld = [], []
    values = {"name": name, "most": most}
    with conn.cursor(row_factory=dict_row) as cursor:
        for place in PLACES:
            hidden = {"table": place.table, "hidden": list(place.hidden)}
            columns = [row["column_name"] for row in cursor.execute(query("columns_of"), hidden)]
            if not columns:
                withheld.append(place.name)
                continue
            if count := _count(conn, place, name):
                rows = cursor.execute(_of_place("rows_of_person", place, columns), values).fetchall()
                found.append(KeptThere(place=place.name, count=count, rows=_plain(rows)))
        for told, asked in (
            (RECIPIENT, query("targets_of_recipient")),
            (ALERTS_OF_TOKENS, query("token_alerts_of")),
        ):
            if rows := cursor.execute(asked, values).fetchall():
                found.append(KeptThere(place=told, count=len(rows), rows=_plain(rows)))
    return found, withheld


@dataclass(frozen=True, kw_only=True, slots=True)
class Removed:
    """What removing a person did: rows by place; what stays, with the reason."""

    pseudonym: str
    gone: dict[str, int] = field(default_factory=dict)
    renamed: dict[str, int] = field(default_factory=dict)
    stays: dict[str, tuple[int, str]] = field(default_factory=dict)


STAYS: Final = {
    "signed": "who did it is what the record is worth: --signed gives it the pseudonym too",
    "finished": "a finished dossier is never changed: its hashes would no longer be right",
    "recipient": "the only recipient there: change or delete the alert target first, then run this again",
}


def remove(conn: Connection[Any], name: str, *, signed: bool = False, dry_run: bool = False) -> Removed:
    """Remove a person, all of it or nothing. The account and what hangs on it go; records and the audit stay under a pseudonym.

    The pseudonym is random, and nothing keeps whose it was. dry_run: everything is done and undone. Raises NotFound where nothing is
    kept under the name, InvalidInput for the name of nobody, Conflict where the last administrator of every site would go.
    """
    if name in NOBODY:
        raise InvalidInput(f"{name!r} is nobody", field="name")
    done = Removed(pseudonym=f"removed-{secrets.token_hex(5)}")
    values = {"name": name, "pseudonym": done.pseudonym}
    with conn.transaction(force_rollback=dry_run):
        governed = conn.execute(query("governing_accounts")).fetchall()
        conn.execute(query("account_held"), values)
        for place in reversed(PLACES):  # the account last: other rows are found by it
            count = _count(conn, place, name)
            if not count:
                continue
            if place.then == "finished" or (place.then == "signed" and not signed):
                done.stays[place.name] = count, STAYS[place.then]
            elif place.then == "gone":
                conn.execute(_of_place("person_gone", place), values)
                done.gone[place.name] = count
            else:
                conn.execute(_of_place("person_renamed", place), values)
                done.renamed[place.name] = count
        for told, statement in (
            ("audit.target", "person_renamed_in_audit"),
            (RECIPIENT, "recipient_removed"),
            (ALERTS_OF_TOKENS, "token_alerts_removed"),
        ):
            if count := run(conn, statement, **values):
                (done.renamed if told == "audit.target" else done.gone)[told] = count
        if only := len(conn.execute(query("targets_of_recipient"), {"name": name}).fetchall()):
            done.stays[RECIPIENT] = only, STAYS["recipient"]
        if not (done.gone or done.renamed or done.stays):
            raise NotFound(
                f"nothing is kept under the name {name!r}; it is looked for exactly as it is written"
            )
        if governed and not conn.execute(query("governing_accounts")).fetchall():
            raise Conflict("this would leave no administrator of every site: make another account one first")
        note_command(conn, "remove person", done.pseudonym, {"gone": done.gone, "renamed": done.renamed})
    return done


def _plain(rows: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """Rows with the values that JSON knows; others as text."""
    plain: list[dict[str, Any]] = json.loads(json.dumps(rows, default=str))
    return plain


def _count(conn: Connection[Any], place: Place, name: str) -> int:
    row = conn.execute(_of_place("count_of_person", place), {"name": name}).fetchone()
    return 0 if row is None else int(row[0])


def _of_place(name: str, place: Place, columns: list[str] | None = None) -> Composed:
    who = "named_by_account" if place.column == "account_id" else "named_by_name"
    return SQL(query(name)).format(
        table=Identifier(place.table),
        key=Identifier(place.column),
        columns=SQL(", ").join(map(Identifier, columns or [])),
        who=SQL(query(who)),
    )
