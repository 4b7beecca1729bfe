"""The audit goes on as JSON lines: in order, each line at least once, whatever is killed, moved away or late."""

import json
import os
import re
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, ClassVar

import psycopg
import pytest

from alerts.delivery import Delivery
from alerts.service import run
from boomledger.backup import back_up
from domain.errors import InvalidInput
from store.audit import note_command
from store.connection import connect
from store.privacy import Retention, remove_past
from tests.api.conftest import PASSWORD, client_of
from transfer import audit_export
from transfer.audit_export import Export, File, follow, sink_of, syslog_message

# RFC 5424, section 6: header, structured data, message; names and lengths as its ABNF has them.
PARAM = r'[\x21\x23-\x3c\x3e-\x5c\x5e-\x7e]{1,32}="(?:[^"\\\]]|\\["\\\]])*"'
RFC_5424 = re.compile(
    r"<(?P<pri>0|[1-9]\d{0,2})>(?P<version>[1-9]\d{0,2}) "
    r"(?P<at>-|\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(?:\.\d{1,6})?(?:Z|[+-]\d\d:\d\d)) "
    r"(?P<host>[\x21-\x7e]{1,255}) (?P<app>[\x21-\x7e]{1,48}) (?P<proc>[\x21-\x7e]{1,128}) (?P<id>[\x21-\x7e]{1,32}) "
    rf"(?P<data>-|(?:\[[\x21\x23-\x3c\x3e-\x5c\x5e-\x7e]{{1,32}}(?: {PARAM})*\])+)(?: (?P<text>.*))?",
    re.DOTALL,
)
EXAMPLES = {  # section 6.5 of RFC 5424, from memory
    "<34>1 2003-10-11T22:14:15.003Z mymachine.example.com su - ID47 - \ufeff'su root' failed for lonvick on /dev/pts/8": 34,
    "<165>1 2003-08-24T05:14:15.000003-07:00 192.0.2.1 myproc 8710 - - %% It's time to make the do-nuts.": 165,
    '<165>1 2003-10-11T22:14:15.003Z mymachine.example.com evntslog - ID47 [exampleSDID@32473 iut="3" eventSource='
    '"Application" eventID="1011"] \ufeffAn application event log entry...': 165,
    '<165>1 2003-10-11T22:14:15.003Z mymachine.example.com evntslog - ID47 [exampleSDID@32473 iut="3" eventSource='
    '"Application" eventID="1011"][examplePriority@32473 class="high"]': 165,
}
NOT_THE_FORM = (
    "<34>Oct 11 22:14:15 mymachine su: failed",
    "<034>1 - - - - - -",
    "<34>1 2003-10-11 22:14:15 - - - - -",
)


def note(url: str, *names: str, **detail: Any) -> None:
    with connect(url, autocommit=True) as conn:
        for name in names:
            note_command(conn, "try", name, detail)


def targets(lines: list[bytes]) -> list[str]:
    return [json.loads(line)["target"] for line in lines]


def soon(found: Callable[[], bool], within_s: float = 20.0) -> None:
    until = time.monotonic() + within_s
    while not found():
        assert time.monotonic() < until
        time.sleep(0.02)


def test_the_form_is_that_of_the_examples() -> None:
    for text, pri in EXAMPLES.items():
        found = RFC_5424.fullmatch(text)
        assert found is not None
        assert int(found["pri"]) == pri
    assert not any(RFC_5424.fullmatch(text) for text in NOT_THE_FORM)


def test_a_message_has_the_form_and_holds_the_line() -> None:
    line = {
        "audit_id": 7,
        "at": datetime(2026, 3, 2, 8, tzinfo=UTC),
        "account": "ida",
        "target": '/users/zoë\n]"',
        "detail": {},
    }
    found = RFC_5424.fullmatch(syslog_message(line, "yard.example").decode("ascii"))
    assert found is not None
    assert (found["pri"], found["version"], found["at"]) == ("109", "1", "2026-03-02T08:00:00.000000Z")
    assert (found["host"], found["app"], found["proc"], found["id"], found["data"]) == (
        "yard.example",
        "boomledger",
        "-",
        "audit",
        "-",
    )
    assert json.loads(found["text"])["target"] == line["target"]
    assert "\n" not in found["text"]


@pytest.mark.parametrize("kind", ["udp", "unix"])
def test_a_real_socket_gets_each_line_as_a_datagram(database: str, tmp_path: Path, kind: str) -> None:
    family, place = (
        (socket.AF_INET, ("127.0.0.1", 0)) if kind == "udp" else (socket.AF_UNIX, str(tmp_path / "log"))
    )
    with socket.socket(family, socket.SOCK_DGRAM) as receiver:
        receiver.bind(place)
        receiver.settimeout(10)
        where = f"://127.0.0.1:{receiver.getsockname()[1]}" if kind == "udp" else f"://{tmp_path}/log"
        note(database, "one", "two")
        note(database, "long", words="x" * 100_000)
        export = Export(sink_of(f"syslog+{kind}{where}"), "here")
        with connect(database, autocommit=True) as conn, closing(export):
            assert export.step(conn) == 3
        got = [RFC_5424.fullmatch(receiver.recv(65_535).decode("ascii")) for _ in range(3)]
    lines = [json.loads(one["text"]) for one in got if one]
    assert [line["target"] for line in lines] == ["one", "two", "long"]
    assert lines[2]["detail"]["too_long_for_a_datagram_bytes"] > 100_000


def heard(connection: socket.socket, count: int) -> list[str]:
    """Targets of the messages of a TCP stream, counted in octets (RFC 6587)."""
    found = []
    with connection.makefile("rb") as stream:
        for _ in range(count):
            size = b"".join(iter(lambda: stream.read(1), b" "))
            message = RFC_5424.fullmatch(stream.read(int(size)).decode("ascii"))
            assert message is not None
            found.append(json.loads(message["text"])["target"])
    return found


def test_a_receiver_that_closes_gets_its_lines_once_more_over_tcp(database: str) -> None:
    note(database, "one", "two")
    with socket.create_server(("127.0.0.1", 0)) as server, connect(database, autocommit=True) as conn:
        export = Export(sink_of(f"syslog+tcp://127.0.0.1:{server.getsockname()[1]}"), "there")
        with closing(export):
            assert export.step(conn) == 2
            first, _ = server.accept()
            with first:
                assert heard(first, 2) == ["one", "two"]
            note(database, "three")
            with pytest.raises(ConnectionError):
                export.step(conn)
            assert export.step(conn) == 1
            second, _ = server.accept()
            with second:
                assert heard(second, 1) == ["three"]


def test_nobody_listening_moves_no_position(database: str, tmp_path: Path) -> None:
    note(database, "one")
    with connect(database, autocommit=True) as conn:
        with pytest.raises(OSError, match="No such file"):
            Export(sink_of(f"syslog+unix://{tmp_path}/nobody"), "here").step(conn)
        assert Export(File(tmp_path / "a"), "here").step(conn) == 1


def test_a_file_goes_on_behind_rotation_restart_and_half_a_line(database: str, tmp_path: Path) -> None:
    file = tmp_path / "audit.jsonl"
    with connect(database, autocommit=True) as conn:
        note(database, "one")
        export = Export(File(file), "file")
        assert export.step(conn) == 1
        file.rename(tmp_path / "audit.jsonl.1")
        note(database, "two")
        assert export.step(conn) == 1
        file.write_bytes(file.read_bytes() + b'{"audit_id": 3, "acc')  # killed within a line
        note(database, "three")
        assert Export(File(file), "file").step(conn) == 1  # another process
    assert targets((tmp_path / "audit.jsonl.1").read_bytes().splitlines()) == ["one"]
    lines = file.read_bytes().splitlines()
    assert targets([lines[0], lines[2]]) == ["two", "three"]
    assert file.stat().st_mode & 0o077 == 0o040


def test_what_is_killed_between_handing_over_and_the_position_is_handed_over_again(database: str) -> None:
    class Killed(File):
        got: ClassVar[list[str]] = []

        def write(self, lines: Any) -> None:
            self.got += [line["target"] for line in lines]
            if len(self.got) == 1:
                raise KeyboardInterrupt

    sink = Killed(Path())
    note(database, "one")
    with connect(database, autocommit=True) as conn, pytest.raises(KeyboardInterrupt):
        Export(sink, "t").step(conn)
    note(database, "two")
    with connect(database, autocommit=True) as conn:
        Export(sink, "t").step(conn)
    assert sink.got == ["one", "one", "two"]


def test_a_line_whose_writer_is_slow_is_waited_for_and_stays_in_order(database: str, tmp_path: Path) -> None:
    file = tmp_path / "a"
    with connect(database) as slow, connect(database, autocommit=True) as conn:
        note_command(slow, "try", "slow", {})  # has its number, is not committed
        note(database, "quick")
        handed = threading.Thread(target=Export(File(file), "t").step, args=(conn,))
        handed.start()
        time.sleep(0.3)
        assert not file.exists()
        slow.commit()
        handed.join(20)
    assert targets(file.read_bytes().splitlines()) == ["slow", "quick"]


def test_two_at_once_hand_nothing_over_twice(database: str, tmp_path: Path) -> None:
    stop, file = threading.Event(), tmp_path / "a"
    both = [threading.Thread(target=follow, args=(database, Export(File(file), "t"), stop)) for _ in range(2)]
    for one in both:
        one.start()
    names = [str(number) for number in range(30)]
    for name in names:
        note(database, name)
    soon(lambda: file.exists() and len(file.read_bytes().splitlines()) >= 30)
    stop.set()
    for one in both:
        one.join(20)
    assert targets(file.read_bytes().splitlines()) == names


def test_a_follower_outlives_the_database_and_its_folder(
    database: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(audit_export, "RETRY_AFTER_S", 0.1)
    stop, file = threading.Event(), tmp_path / "later" / "a"
    following = threading.Thread(target=follow, args=(database, Export(File(file), "t"), stop))
    note(database, "one")
    following.start()
    time.sleep(0.3)
    file.parent.mkdir()
    soon(file.exists)
    with psycopg.connect(database, autocommit=True) as conn:
        conn.execute(
            "select pg_terminate_backend(pid) from pg_stat_activity where datname = current_database() and pid <> pg_backend_pid()"
        )
    note(database, "two")
    soon(lambda: len(file.read_bytes().splitlines()) == 2)
    stop.set()
    following.join(20)
    assert targets(file.read_bytes().splitlines()) == ["one", "two"]


@pytest.mark.parametrize(
    "wrong",
    ["syslog+tcp://", "syslog+udp://host", "https://x/y", "syslog+tcp://a:b@h:6", "syslog+udp://h:99999999"],
)
def test_a_target_that_is_none_is_refused(wrong: str) -> None:
    with pytest.raises(InvalidInput, match="no target"):
        sink_of(wrong)


def test_the_command_prints_lines_since_a_time_and_a_backup_is_among_them(
    database: str, tmp_path: Path
) -> None:
    note(database, "old")
    with psycopg.connect(database, autocommit=True) as conn:
        conn.execute("update audit set at = '2020-01-01Z'")
    back_up(database, tmp_path / "b.dump")
    done = subprocess.run(
        [sys.executable, "-m", "boomledger", "audit", "export", "--since", "2021-01-01T00:00:00Z"],
        env=os.environ | {"BOOMLEDGER_DATABASE_URL": database}, capture_output=True, timeout=120, check=True,
    )  # fmt: skip
    (line,) = [json.loads(one) for one in done.stdout.splitlines()]
    assert (line["account"], line["via"], line["action"], line["target"]) == (
        "command line",
        "command",
        "back up",
        "b.dump",
    )


@pytest.mark.anyio
async def test_no_secret_goes_out(fresh_yard_url: str, fresh_api: Any, tmp_path: Path) -> None:
    async with client_of(fresh_api) as http:
        await http.post("/login", json={"account": "admin-all", "password": "not the password"})
        await http.post("/login", json={"account": PASSWORD, "password": "not the password"})
        assert (
            await http.post("/login", json={"account": "admin-all", "password": PASSWORD})
        ).status_code == 200
        cookie = http.cookies["boomledger"]
        made = (await http.post("/tokens", json={"title": "nightly"})).json()["secret"]
        await http.post(
            "/users", json={"name": "ida", "password": "mellow harbour cranes 7", "role": "viewer"}
        )
    with connect(fresh_yard_url, autocommit=True) as conn:
        Export(File(tmp_path / "a"), "t").step(conn)
    text = (tmp_path / "a").read_text()
    assert "POST /tokens" in text
    assert not [
        secret for secret in (PASSWORD, "not the password", "mellow harbour", cookie, made) if secret in text
    ]


def test_the_watch_removes_what_is_past_its_time_and_nothing_that_did_not_go_out(
    database: str, tmp_path: Path
) -> None:
    note(database, "old", "young")
    with connect(database, autocommit=True) as conn:
        conn.execute("insert into audit (account_name, via, action) values ('ida', 'session', 'read /users')")
        conn.execute("update audit set at = now() - interval '200 days' where target <> 'young'")
        keep = Retention(audit_days=100, reads_days=100, exported_to="t")
        assert not any(remove_past(conn, keep).values())
        Export(File(tmp_path / "a"), "t").step(conn)
    run(database, threading.Event(), Delivery(), keep=keep, once=True)
    with connect(database, autocommit=True) as conn:
        assert [row[0] for row in conn.execute("select target from audit")] == ["young"]


def test_sessions_tokens_attempts_addresses_and_reservations_go_when_their_time_is_over(
    fresh_yard_url: str,
) -> None:
    with connect(fresh_yard_url, autocommit=True) as conn:
        for days in (1, 100):
            at = f"now() - interval '{days} days'"
            for insert in (
                f"insert into session (secret_sha256, account_id, expires_at) select sha256('{days}'), min(account_id), {at} from account",
                "insert into api_token (secret_sha256, account_id, title, role, expires_at)"
                f" select sha256('{days}'), min(account_id), 't', 'viewer', {at} from account",
                f"insert into login_attempt (account_name, address, at) values ('ida', '192.0.2.1', {at} + interval '2 h')",
                f"insert into known_address select min(account_id), '192.0.2.{days}', {at} from account",
                f"insert into idempotency (account_name, key, request_sha256, created_at) values ('ida', '{days}', '', {at})",
                "insert into reservation (crane_id, during, title, held_by)"
                f" select min(crane_id), tstzrange({at} - interval '1 h', {at}), 'job', 'ida' from crane",
            ):
                conn.execute(insert.encode())
        assert remove_past(conn, Retention()) == {
            "reads": 0, "audit": 0, "sessions": 1, "tokens": 1, "failed_log_ins": 1, "known_addresses": 1, "kept_answers": 1,
        }  # fmt: skip
        assert remove_past(conn, Retention(reservations_days=50))["reservations"] == 1
