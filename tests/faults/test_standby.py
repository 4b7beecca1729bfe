"""A second ingest takes over within seconds from one that is frozen, killed or cut off, and no message counts twice."""

import os
import secrets
import shutil
import signal
import socket
import subprocess
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, closing, contextmanager, suppress

import psycopg
import pytest
from psycopg.conninfo import make_conninfo

from domain.errors import Conflict
from ingest.limits import Limits
from ingest.writer import Incoming, Outcome, Writer
from store.connection import connect
from store.lease import HELD_S, Lease
from tests.faults.conftest import Installation, installed
from tests.support.ingesting import register, wait_until
from tests.support.telemetry import START, message

WITHIN_S = 15.0
MESSAGES = 240
HOLDER = "select holder from lease where name = 'ingest'"


class Cable:
    """Connections to a server by way of a port of ours, until it is cut: then nothing is forwarded, and nothing is closed."""

    def __init__(self, target: str | tuple[str, int]) -> None:
        """`target`: the path of a socket, or host and port."""
        self._target = target
        self._listening = socket.create_server(("0.0.0.0", 0))  # from another host's side too
        self.port = int(self._listening.getsockname()[1])
        self._whole = threading.Event()
        self._whole.set()
        self._open: list[socket.socket] = []
        self._threads: list[threading.Thread] = []
        self._run(self._accept)

    def cut(self) -> None:
        self._whole.clear()

    def mend(self) -> None:
        self._whole.set()

    def close(self) -> None:
        self._whole.set()
        for one in (self._listening, *self._open):
            with suppress(OSError):
                one.shutdown(socket.SHUT_RDWR)
        for thread in self._threads:
            thread.join(10)
        for one in (self._listening, *self._open):
            one.close()

    def _run(self, work: Callable[..., None], *arguments: socket.socket) -> None:
        self._threads.append(threading.Thread(target=work, args=arguments, daemon=True))
        self._threads[-1].start()

    def _accept(self) -> None:
        with suppress(OSError):
            while True:
                near, _ = self._listening.accept()
                self._open.append(near)
                self._run(self._join, near)

    def _join(self, near: socket.socket) -> None:
        self._whole.wait()
        far = socket.socket(socket.AF_UNIX if isinstance(self._target, str) else socket.AF_INET)
        self._open.append(far)
        with suppress(OSError):
            far.connect(self._target)
            self._run(self._forward, near, far)
            self._run(self._forward, far, near)

    def _forward(self, source: socket.socket, sink: socket.socket) -> None:
        with suppress(OSError):
            while data := source.recv(65_536):
                self._whole.wait()
                sink.sendall(data)
        for one in (source, sink):
            with suppress(OSError):
                one.shutdown(socket.SHUT_RDWR)


class Host:
    """A host of its own as far as the network goes: a namespace and a link to it."""

    def __init__(self) -> None:
        self.name, net = (
            f"boomledger-{secrets.token_hex(4)}",
            f"10.{secrets.randbelow(200) + 20}.{secrets.randbelow(250)}",
        )
        self.link, self.near = f"bl{secrets.token_hex(4)}", f"{net}.1"
        if os.geteuid() != 0 or shutil.which("ip") is None:
            pytest.skip("a host of its own can be made by root and iproute2 only")
        for command in (
            f"ip netns add {self.name}",
            f"ip link add {self.link} type veth peer name eth0 netns {self.name}",
            f"ip addr add {net}.1/24 dev {self.link}",
            f"ip link set {self.link} up",
            f"ip -n {self.name} addr add {net}.2/24 dev eth0",
            f"ip -n {self.name} link set eth0 up",
            f"ip -n {self.name} link set lo up",
        ):
            done = subprocess.run(command.split(), capture_output=True, text=True, check=False)
            if done.returncode != 0:
                self.close()
                pytest.skip(f"no host of its own can be made here: {done.stderr.strip()}")

    def die(self) -> None:
        """From now on nothing comes from there, not even the end of a connection."""
        subprocess.run(["ip", "link", "set", self.link, "down"], check=True)

    def close(self) -> None:
        for command in (f"ip link del {self.link}", f"ip netns del {self.name}"):
            subprocess.run(command.split(), capture_output=True, check=False)


@contextmanager
def frozen(installation: Installation) -> Iterator[None]:
    os.kill(installation.processes["first"].pid, signal.SIGSTOP)
    yield
    os.kill(installation.processes["first"].pid, signal.SIGCONT)


@contextmanager
def killed(installation: Installation) -> Iterator[None]:
    installation.processes["first"].kill()
    installation.processes["first"].wait()
    yield


def holder(database: str) -> str | None:
    with psycopg.connect(database) as conn:
        row = conn.execute(HOLDER).fetchone()
    return None if row is None else str(row[0])


def stored(database: str) -> int:
    with psycopg.connect(database) as conn:
        row = conn.execute("select count(*) from segment").fetchone()
    assert row is not None
    return int(row[0])


Trouble = Callable[[Installation], object]


@pytest.mark.mosquitto
@pytest.mark.timeout(240)
@pytest.mark.parametrize("how", ["frozen", "killed", "cut off", "with its host gone"])
def test_the_second_takes_over_in_time_and_nothing_is_lost_or_counted_twice(how: str) -> None:
    with installed() as installation, ExitStack() as stack:
        before_both = installation.processes.pop("ingest")
        before_both.terminate()
        before_both.wait(60)
        ids = register(installation.database, "crane-a", "crane-b")
        cables = [stack.enter_context(closing(Cable(place))) for place in places(installation)]
        host = stack.enter_context(closing(Host())) if how == "with its host gone" else None
        near = "127.0.0.1" if host is None else host.near
        database = make_conninfo(installation.database, host=near, port=cables[0].port)
        broker = f"mqtt://{near}:{cables[1].port}"
        wait_until(lambda: holder(installation.database) is None, "the one before has ended")
        place = "" if host is None else host.name
        installation.start("first", "tests.support.ingest_process", broker, database, host=place)
        first = wait_until(lambda: holder(installation.database), "the first works")
        installation.start(
            "second", "tests.support.ingest_process", installation.broker_url, installation.database
        )
        for crane in ids:
            installation.send(crane, MESSAGES, 15.0)
        wait_until(lambda: stored(installation.database) > 20, "messages come")
        begun = time.monotonic()
        with troubled(how, installation, cables, host):
            wait_until(
                lambda: holder(installation.database) not in (None, first), "the second has taken over"
            )
            before = stored(installation.database)
            wait_until(lambda: stored(installation.database) > before, "the second stores")
            took_s = time.monotonic() - begun
        installation.finish(*ids)
        second = holder(installation.database)
        assert second not in (None, first)
        for crane, crane_id in ids.items():
            installation.check_equal(crane, crane_id, MESSAGES)
        installation.check_ledgers(MESSAGES, *ids)
        assert installation.quarantined() == 0
        assert took_s < WITHIN_S
        print(
            f"taken over from one that was {how} after {took_s:.1f} s; none lost, none twice, ledgers equal"
        )


@contextmanager
def troubled(how: str, installation: Installation, cables: list[Cable], host: Host | None) -> Iterator[None]:
    """The first stands still, is gone, or reaches neither database nor broker; then all is well again."""
    if host is not None:
        host.die()
    if how == "cut off":
        for cable in cables:
            cable.cut()
        yield
        for cable in cables:
            cable.mend()
    else:
        with frozen(installation) if how == "frozen" else killed(installation):
            yield


def places(installation: Installation) -> list[str | tuple[str, int]]:
    """Where database and broker listen."""
    with psycopg.connect(installation.database) as conn:
        return [f"{conn.info.host}/.s.PGSQL.{conn.info.port}", installation.address]


def age(database: str) -> None:
    with psycopg.connect(database) as conn:
        conn.execute("update lease_renewal set renewed_at = renewed_at - %s * interval '1 s'", [HELD_S + 1])


def freeze(lease: Lease) -> None:
    """Renew no more, as a process that is stopped: a renewal in between would make the lease young again."""
    lease._stop.set()
    assert lease._renewing is not None
    lease._renewing.join()


def test_what_a_holder_had_in_hand_when_it_was_replaced_is_not_stored(
    database: str, connection: psycopg.Connection
) -> None:
    """A transaction that was begun before and would be committed after: the freeze between proof and commit."""
    register(database, "crane-a")
    with (
        closing(connect(database, autocommit=True)) as mine,
        closing(connect(database, autocommit=True)) as other,
    ):
        first, second = Lease(database, "trial"), Lease(database, "trial")
        assert first.take(mine)
        assert not second.take(other)
        freeze(first)
        with pytest.raises(psycopg.OperationalError), mine.transaction():  # noqa: PT012 - all of it belongs to one
            first.prove(mine)
            mine.execute("update crane set name = 'taken' where name = 'crane-a'")
            age(database)
            assert second.take(other)
            mine.execute("select 1")
        with closing(connect(database, autocommit=True)) as again:
            assert not first.take(again)
            with pytest.raises(Conflict), again.transaction():
                first.prove(again)
        second.prove(other)
        first.give_up()
        assert second.take(other), "what is not ours we cannot give up"
        second.give_up()
    assert connection.execute("select name from crane").fetchone() == ("crane-a",)
    assert connection.execute("select count(*) from lease").fetchone() == (0,)


def test_a_writer_whose_lease_is_another_ones_stores_nothing(
    database: str, connection: psycopg.Connection
) -> None:
    register(database, "crane-a")
    writer = Writer(database, Limits(), alone=True)
    incoming = [Incoming(*message("crane-a", number), START) for number in range(2)]
    assert writer.store(incoming[:1])[0].outcome is Outcome.STORED
    connection.execute("update lease set holder = 'other'")
    connection.execute("update lease_renewal set holder = 'other'")
    with pytest.raises(Conflict):
        writer.store(incoming[1:])
    connection.execute("delete from lease")
    writer.close()
    assert [one.outcome for one in writer.store(incoming)] == [Outcome.DUPLICATE, Outcome.STORED]
    writer.leave()
