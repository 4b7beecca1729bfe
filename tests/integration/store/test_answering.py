"""What is told of a database by the thread that asks it."""

import threading
import time

import psycopg
import pytest

from store.connection import connect
from store.system_watch import FRESH_S, Answering
from tests.integration.boomledger.test_probes import free_port
from tests.support.ingesting import wait_until


def test_work_that_stands_still_over_a_lost_connection_is_cut_loose(database: str) -> None:
    failed: list[Exception] = []

    def work() -> None:
        try:
            conn.execute("select pg_sleep(600)")
        except psycopg.OperationalError as problem:
            failed.append(problem)

    conn = connect(database, autocommit=True)
    stuck = ""
    answering = Answering(database, writes=True, stuck=lambda: stuck).start()
    worker = threading.Thread(target=work)
    try:
        worker.start()
        wait_until(lambda: not answering.problem(), "the database answers")
        assert not failed
        stuck = "no step for 120 s"
        worker.join(30)
        assert failed, "the connection was not cut"
    finally:
        answering.close()
        conn.close()


def test_an_old_answer_says_nothing_about_now(database: str, monkeypatch: pytest.MonkeyPatch) -> None:
    answering = Answering(database, writes=True)
    assert "starting" in answering.problem()
    answering.start()
    wait_until(lambda: not answering.problem(), "the database answers")
    answering.close()  # nobody asks any more: as where the thread itself hangs
    later = time.monotonic() + FRESH_S + 2.0
    monkeypatch.setattr("store.system_watch.time.monotonic", lambda: later)
    assert "does not answer" in answering.problem()


def test_a_server_that_is_not_there_is_told() -> None:
    answering = Answering(f"postgresql://nobody@127.0.0.1:{free_port()}/nothing", writes=False).start()
    try:
        wait_until(lambda: "does not answer" in answering.problem(), "it is told")
    finally:
        answering.close()
