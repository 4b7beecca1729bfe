"""Commands of administration: database, cranes, people, quarantine, accounts at the broker."""

import json
import sys
import time
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Annotated, Any, Final, TypeVar

import typer
from psycopg import Connection
from pydantic import ValidationError
from rich.table import Table

from boomledger.console import err, load_settings, opened, out
from domain.errors import Conflict, InvalidInput, QuarantineReason
from domain.registration import CraneRegistration, field_path
from domain.units import BYTES_PER_MB

db_app = typer.Typer(help="The database: schema, backup, restore, cold tier.", no_args_is_help=True)
crane_app = typer.Typer(help="The cranes of the fleet.", no_args_is_help=True)
user_app = typer.Typer(help="The people who may sign in.", no_args_is_help=True)
quarantine_app = typer.Typer(help="Messages that were set aside.", no_args_is_help=True)
account_app = typer.Typer(help="Accounts of cranes at a Mosquitto broker.", no_args_is_help=True)
alert_app = typer.Typer(help="Alert rules and signing keys.", no_args_is_help=True)
T = TypeVar("T")
COOL_PATIENCE_S: Final = 3600.0
COOL_RETRY_S: Final = 5.0
PasswordsFile = Annotated[
    Path, typer.Option(help="Mosquitto's password_file; tell Mosquitto to reload (SIGHUP).")
]


@db_app.command("migrate")
def db_migrate(
    later: Annotated[
        bool,
        typer.Option("--recount-later", help="Leave counts of an older method to `boomledger recount`."),
    ] = False,
) -> None:
    """Bring the database up to date, its schema and then its counts. Safe to run again, and by several at once.

    Counts of an older method are made anew beside the old ones, which are answered from until that is done. Interrupted,
    it goes on where it was when run again. Where BOOMLEDGER_SCOPE_KEY is set, it becomes the key of the site scopes.
    """
    from analytics import rebuild
    from boomledger.recounting import count_anew
    from boomledger.services import database_url
    from store.migrate import migrate, put_scope_key

    settings = load_settings()
    url = database_url(settings)
    applied = migrate(url)
    if settings.scope_key is not None:
        put_scope_key(url, settings.scope_key.get_secret_value())
    outdated = rebuild.outdated(url)
    if applied or not outdated:
        out.print("\n".join(f"applied {name}" for name in applied) or "nothing to do", highlight=False)
    if outdated:
        err.print(
            "the counts were made by an older method, and lifts and cycles are counted differently now: "
            + ("run `boomledger recount`; nothing is counted until then" if later else "counting again"),
            highlight=False,
        )
        if not later:
            count_anew(url, rebuild.changed(url, {}))


@db_app.command("shard")
def db_shard() -> None:
    """Spread the growing tables over a Citus cluster by crane. Run on the coordinator, after `migrate`; again is harmless."""
    from boomledger.services import database_url
    from store.cluster import shard_by_crane
    from store.site_scope import ROLE

    placed, kept_out = shard_by_crane(database_url(load_settings()))
    out.print(f"{placed} tables placed" if placed else "every table is placed already", highlight=False)
    if kept_out:
        out.print(
            f"The nodes must reach each other under the api's role, and it could not be let in ({kept_out}): "
            f"have an administrator run `alter role {ROLE} login` here.",
            highlight=False,
        )


@crane_app.command("example")
def crane_example() -> None:
    """Print an invented crane with its site as JSON, to start from."""
    from simulator.yard import load_yard

    crane = load_yard().cranes[0]
    print(
        json.dumps(
            {"site": crane.site.model_dump(mode="json"), "crane": crane.crane.model_dump(mode="json")},
            indent=2,
        )
    )


@crane_app.command("add")
def crane_add(
    file: Annotated[
        Path, typer.Argument(exists=True, dir_okay=False, help="JSON as `crane example` prints it.")
    ],
    correct_past: Annotated[
        bool, typer.Option(help="A changed type was so in the past too; without it holds from today on.")
    ] = False,
) -> None:
    """Register a crane and its site, or replace what is known of it."""
    from boomledger.admin import read_crane_file
    from duty.chart_rules import refuse_charts
    from store.registration import carry_out, planned
    from transfer.history import refuse_contradictions

    wanted = read_crane_file(file)
    if correct_past:
        wanted = wanted.model_copy(update={"correct_past": True})
    with opened() as conn:
        found = planned(conn, wanted, datetime.now(UTC))
        refuse_contradictions(conn, found.crane, datetime.now(UTC))
        refuse_charts(found.crane.type)
        kept = carry_out(conn, found)
    again = f"; {len(kept.days)} days are counted again" if kept.days else ""
    out.print(f"{kept.record.crane.name} at {kept.record.site.name} is registered{again}", highlight=False)


@crane_app.command("history")
def crane_history(
    file: Annotated[
        Path | None,
        typer.Argument(exists=True, dir_okay=False, help="CSV as this prints it without a file, filled in."),
    ] = None,
) -> None:
    """Enter the life of cranes before their record from a file, all of it or nothing; without one print what is entered."""
    from store.registration import histories
    from transfer.history import as_csv, enter, history_row, read_csv, refuse

    with opened() as conn:
        if file is None:
            print(as_csv([history_row(one) for one in histories(conn)]), end="")
            return
        found = read_csv(file.read_text("utf-8-sig"))
        refuse(found.problems)
        count = enter(conn, found.entries, datetime.now(UTC))
    out.print(f"{count} histories entered", highlight=False)


@crane_app.command("list")
def crane_list() -> None:
    """List the cranes that are registered."""
    from store import cranes

    table = Table("crane", "title", "type", "site", "draft")
    with opened() as conn:
        for record in cranes.list_cranes(conn):
            crane = record.crane
            table.add_row(crane.name, crane.title, crane.type.name, crane.site, "yes" if crane.draft else "")
    out.print(table)


@user_app.command("add")
def user_add(
    name: Annotated[str, typer.Argument(help="Name to sign in with.")],
    role: Annotated[str, typer.Option(help="viewer, dispatcher, engineer or admin.")] = "viewer",
    site: Annotated[
        list[str] | None, typer.Option(help="Site it may see; again for more. Default: every site.")
    ] = None,
    link: Annotated[bool, typer.Option(help="Print a link to set the password with, ask for none.")] = False,
) -> None:
    """Add an account. The password is asked for, or read from standard input when that is no terminal."""
    from answers.passwords import refuse_weak
    from boomledger.services import database_url
    from store.access import Role, create_user, new_secret
    from store.connection import connect

    if role not in set(Role):
        err.print(f"role {role!r} is none of {', '.join(Role)}", highlight=False)
        raise typer.Exit(2)
    if link:
        password = new_secret("reset")  # nobody knows it
    elif sys.stdin.isatty():
        password = typer.prompt("password", hide_input=True, confirmation_prompt=True)
    else:
        password = sys.stdin.readline().rstrip("\n")
    settings = load_settings()
    refuse_weak(password, name, settings.password_score)
    with connect(database_url(settings)) as conn:
        create_user(conn, name, password, role, site)
    if link:
        user_link(name)
    else:
        out.print(f"{name} may sign in as {role}", highlight=False)


@user_app.command("link")
def user_link(name: Annotated[str, typer.Argument(help="Name of the account.")]) -> None:
    """Print a link by which a person sets the password of an account, once. The one of before ends."""
    from boomledger.services import database_url
    from domain.accounts import reset_address
    from store.access import make_reset_link_by_command
    from store.connection import connect

    settings = load_settings()
    if not settings.local_accounts and name != settings.emergency_account:
        raise Conflict("passwords are switched off here: people sign in at the provider of the company")
    expires_at = datetime.now(UTC) + timedelta(hours=settings.reset_link_hours)
    with connect(database_url(settings)) as conn:
        secret = make_reset_link_by_command(conn, name, expires_at)
    address = settings.public_url or f"http://{settings.host}:{settings.port}"
    print(reset_address(address, secret))
    err.print(f"holds until {expires_at:%Y-%m-%d %H:%M} UTC, once", highlight=False)


@user_app.command("tokens")
def user_tokens() -> None:
    """List the tokens of every account: until when they hold, and when they were used last."""
    from store.access import TOKENS

    table = Table("account", "token", "role", "until (UTC)", "last used (UTC)")
    with opened() as conn:
        for row in TOKENS.all(conn, account=None, after=0, limit=100_000):
            used = "never" if row.last_used_at is None else f"{row.last_used_at:%Y-%m-%d %H:%M}"
            table.add_row(row.account, row.title, row.role, f"{row.expires_at:%Y-%m-%d}", used)
    out.print(table)


@db_app.command("backup")
def db_backup(file: Annotated[Path, typer.Argument(help="New file.")]) -> None:
    """Write the whole database to a file, consistent as of now. The cold tier is files of its own: copy them too."""
    from boomledger.backup import back_up
    from boomledger.services import database_url

    size = back_up(database_url(load_settings()), file)
    out.print(f"{file}: {size / BYTES_PER_MB:.1f} MB", highlight=False)


@db_app.command("restore")
def db_restore(file: Annotated[Path, typer.Argument(help="A file of `db backup`.")]) -> None:
    """Fill an empty database from a backup: all of it or nothing."""
    from boomledger.backup import restore
    from boomledger.services import database_url

    restore(database_url(load_settings()), file)
    out.print(f"restored from {file}", highlight=False)


@db_app.command("cool")
def db_cool(
    folder: Annotated[
        str | None,
        typer.Argument(
            help="Folder or s3:// URL of the cold tier. Default: the one it has; another one once all files were moved there."
        ),
    ] = None,
    keep_days: Annotated[int, typer.Option(min=1, help="Younger days stay in the database.")] = 400,
) -> None:
    """Move old counted days to Parquet files: copied, read back, compared, and only then removed.

    While the database is away, hangs or takes no writes it waits, an hour at most. Where the folder is not there it ends: what has
    moved stays moved, what has not stays in the database, and the next run goes on.
    """
    from boomledger.services import database_url
    from store.cold import move

    before = datetime.now(UTC).date() - timedelta(days=keep_days)
    moved = patiently(database_url(load_settings()), lambda conn: move(conn, folder, before=before))
    out.print(
        f"{moved.days} crane-days with {moved.samples} samples moved, {moved.bytes / BYTES_PER_MB:.1f} MB; "
        f"{moved.waiting} wait because they are not counted yet"
        + (
            f"; {moved.files_removed} files that no day lives in were removed: of an interrupted run, or of days that were "
            "brought back"
            if moved.files_removed
            else ""
        ),
        highlight=False,
    )


def patiently(url: str, work: Callable[[Connection[Any]], T], wait_s: float = COOL_RETRY_S) -> T:
    """The result of work that goes on where it was when it is begun again, once the database takes writes.

    What else it needs (FilesUnavailable) is not waited for.
    """
    from domain.errors import FilesUnavailable
    from store.connection import AWAY, connect, state_of
    from store.system_watch import cut_when_lost

    def tell(state: str) -> None:
        err.print(state, highlight=False, soft_wrap=True)

    give_up = time.monotonic() + COOL_PATIENCE_S
    while True:
        try:
            with connect(url, autocommit=True, writes=True) as conn, cut_when_lost(conn, url, tell):
                return work(conn)
        except FilesUnavailable:
            raise
        except AWAY as problem:
            if time.monotonic() > give_up:
                raise
            tell(f"{state_of(problem)}; trying again in {wait_s:g} s")
            time.sleep(wait_s)


@quarantine_app.command("list")
def quarantine_list(most: Annotated[int, typer.Option(min=1, max=10_000, help="Longest list.")] = 50) -> None:
    """List messages that were set aside, newest first, with the reason."""
    from store import quarantine

    table = Table("received (UTC)", "topic", "reason", "detail")
    with opened() as conn:
        for row in quarantine.page(conn, most=most):
            table.add_row(f"{row.received_at:%Y-%m-%d %H:%M:%S}", row.topic, row.reason, row.detail)
        for count in quarantine.COUNTED.all(conn):
            err.print(f"{count.reason}: {count.messages}", highlight=False)
    out.print(table)


@quarantine_app.command("replay")
def quarantine_replay(
    crane: Annotated[str | None, typer.Option(help="Only messages of this crane.")] = None,
    reason: Annotated[
        QuarantineReason | None, typer.Option(help="Only messages refused for this reason.")
    ] = None,
) -> None:
    """Judge messages in quarantine again, as of the time they arrived, after what kept them out was mended."""
    from boomledger.services import database_url, limits
    from ingest.replay import replay
    from store import audit
    from store.connection import connect

    settings = load_settings()
    done = replay(database_url(settings), limits(settings), crane_name=crane, reason=reason)
    with connect(database_url(settings)) as conn:
        detail = {"crane": crane, "reason": reason, "stored": done.stored, "kept": done.kept}
        audit.note_command(conn, "replay quarantine", crane or "all", detail)
    out.print(f"{done.stored} stored, {done.known} known before, {done.kept} stay set aside", highlight=False)


@account_app.command("issue")
def account_issue(
    name: Annotated[str, typer.Argument(help="Name of the crane.")], file: PasswordsFile
) -> None:
    """Make credentials for a crane, or new ones. The password is shown once and kept nowhere."""
    from boomledger.credentials import PasswordFile

    print(PasswordFile(file).issue(name))


@account_app.command("revoke")
def account_revoke(
    name: Annotated[str, typer.Argument(help="Name of the crane.")], file: PasswordsFile
) -> None:
    """Take the credentials of a crane away."""
    from boomledger.credentials import PasswordFile

    PasswordFile(file).revoke(name)
    out.print(f"{name} has no credentials any more", highlight=False)


@alert_app.command("defaults")
def alert_defaults() -> None:
    """Enter the alert rules to start from; a rule whose name is taken stays as it is."""
    from domain.alerts import DEFAULT_RULES
    from store.alerts import enter_rules

    with opened() as conn:
        entered = enter_rules(conn, DEFAULT_RULES, "command line")
    out.print(f"{entered} rules entered", highlight=False)


@alert_app.command("key")
def alert_key(name: Annotated[str, typer.Argument(help="Name of the web target.")]) -> None:
    """Print the key by which the receiver of a web target checks signatures. Keep it as a secret."""
    from alerts.delivery import shown_key

    secret = load_settings().webhook_secret
    if secret is None:
        err.print("no signing secret is configured: set BOOMLEDGER_WEBHOOK_SECRET", highlight=False)
        raise typer.Exit(2)
    print(shown_key(secret.get_secret_value(), name))


def read_crane_file(file: Path) -> CraneRegistration:
    """The crane of a file, with its site. Raises InvalidInput that names every wrong field."""
    try:
        return CraneRegistration.model_validate_json(file.read_bytes())
    except ValidationError as wrong:
        lines = [f"{field_path(problem['loc']) or 'file'}: {problem['msg']}" for problem in wrong.errors()]
        raise InvalidInput(f"{file} cannot be used:\n" + "\n".join(lines)) from wrong
