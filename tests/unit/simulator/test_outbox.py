"""The sender's memory: nothing is forgotten before its receipt, nothing is kept after it."""

import sqlite3
from contextlib import closing
from itertools import pairwise
from pathlib import Path

import pytest

from simulator.messages import Outgoing
from simulator.outbox import Outbox, OutboxFull

BIG_BOOT = 2**63 - 2


def message(seq: int, payload: bytes = b"{}", crane: str = "yard-01", boot: int = BIG_BOOT) -> Outgoing:
    return Outgoing(crane, boot, seq, 0, f"boomledger/v1/{crane}/samples", payload)


def test_a_message_is_due_once_and_again_after_a_time() -> None:
    with Outbox(":memory:") as outbox:
        outbox.put([message(0), message(1)])
        assert [due.place for due in outbox.due(100.0, 10.0, 50)] == [1, 2]
        assert outbox.due(109.0, 10.0, 50) == []
        assert len(outbox.due(110.0, 10.0, 50)) == 2
        assert outbox.due(111.0, 10.0, 50) == []


def test_the_pause_doubles_up_to_a_bound_and_begins_anew_with_a_connection() -> None:
    with Outbox(":memory:") as outbox:
        outbox.put([message(0)])
        sent, now = [], 0.0
        while len(sent) < 7:
            if outbox.due(now, 10.0, 50):
                sent.append(now)
            now += 5.0
        assert [later - earlier for earlier, later in pairwise(sent)] == [10.0, 20.0, 40.0, 80.0, 80.0, 80.0]
        outbox.send_all_again()
        assert len(outbox.due(now, 10.0, 50)) == 1
        assert len(outbox.due(now + 10.0, 10.0, 50)) == 1


def test_a_file_of_an_earlier_release_is_taken_over(tmp_path: Path) -> None:
    file = tmp_path / "outbox.sqlite"
    with Outbox(file) as outbox:
        outbox.put([message(0, b"abc")])
    with closing(sqlite3.connect(file)) as database:
        database.execute("alter table message drop column times")
    with Outbox(file) as outbox:
        assert [due.payload for due in outbox.due(0.0, 10.0, 50)] == [b"abc"]


def test_new_messages_go_before_repeated_ones() -> None:
    with Outbox(":memory:") as outbox:
        outbox.put([message(0, b"old")])
        outbox.due(0.0, 10.0, 50)
        outbox.put([message(1, b"new")])
        assert [due.payload for due in outbox.due(100.0, 10.0, 1)] == [b"new"]
        assert [due.payload for due in outbox.due(100.0, 10.0, 50)] == [b"old"]


def test_a_receipt_forgets_what_it_names_and_nothing_else() -> None:
    with Outbox(":memory:") as outbox:
        outbox.put([message(0, b"abc"), message(1, b"de"), message(0, crane="yard-02")])
        assert outbox.receipt("yard-01", BIG_BOOT, [0, 7]) == 1
        assert outbox.receipt("yard-01", 5, [1]) == 0
        assert outbox.receipt("yard-01", BIG_BOOT, [0]) == 0
        assert len(outbox) == 2
        assert outbox.payload_bytes == 4


def test_what_was_refused_is_kept_apart_the_newest_and_can_be_sent_again(tmp_path: Path) -> None:
    file = tmp_path / "outbox.sqlite"
    with Outbox(file, max_bytes=50) as outbox:
        outbox.put([message(0, b"abc"), message(1, b"de"), message(2, b"fg"), message(3, b"h")])
        assert outbox.receipt("yard-01", BIG_BOOT, [0, 1, 2, 2, 9], refused=True) == 3
        assert (len(outbox), outbox.payload_bytes, outbox.refused) == (
            1,
            1,
            2,
        )  # 5 bytes: the oldest had to go
        assert [due.payload for due in outbox.due(0.0, 10.0, 50)] == [b"h"]
    with Outbox(file, max_bytes=50) as outbox:
        assert outbox.send_refused_again() == 2
        assert (len(outbox), outbox.payload_bytes, outbox.refused) == (3, 5, 0)
        assert [due.payload for due in outbox.due(0.0, 10.0, 50)] == [b"h", b"de", b"fg"]
        assert outbox.receipt("yard-01", BIG_BOOT, [1, 2]) == 2
        assert outbox.refused == 0


def test_it_survives_the_process(tmp_path: Path) -> None:
    file = tmp_path / "outbox.sqlite"
    with Outbox(file) as outbox:
        outbox.put([message(0, b"abc"), message(1, b"de")])
        outbox.due(1e9, 10.0, 50)
    with Outbox(file) as outbox:
        assert len(outbox) == 2
        assert outbox.payload_bytes == 5
        assert [due.payload for due in outbox.due(0.0, 10.0, 50)] == [b"abc", b"de"]


def test_it_refuses_what_it_cannot_hold_and_keeps_the_rest() -> None:
    with Outbox(":memory:", max_bytes=10) as outbox:
        outbox.put([message(0, b"12345678")])
        with pytest.raises(OutboxFull, match="wait for receipts or raise max_bytes"):
            outbox.put([message(1, b"1"), message(2, b"23")])
        assert len(outbox) == 1
        outbox.put([message(1, b"12")])
        assert outbox.payload_bytes == 10


def test_a_message_put_twice_is_kept_once() -> None:
    with Outbox(":memory:") as outbox:
        outbox.put([message(0)])
        outbox.put([message(0)])
        assert len(outbox) == 1


def test_everything_can_be_made_due_again() -> None:
    with Outbox(":memory:") as outbox:
        outbox.put([message(0), message(1)])
        assert len(outbox.due(0.0, 10.0, 50)) == 2
        outbox.send_all_again()
        assert len(outbox.due(0.0, 10.0, 50)) == 2
