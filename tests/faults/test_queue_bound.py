"""The broker's queue limit: what is beyond it is dropped although it was acknowledged, and an outbox makes up for it."""

from pathlib import Path

import psycopg
import pytest

from boomledger.broker import Broker, QueueBounds, find_mosquitto
from tests.support.ingesting import Receipts, ingesting, mqtt_client, publish_all, register, wait_until
from tests.support.telemetry import boot_of, message

pytestmark = pytest.mark.mosquitto
BOUND, SENT = 100, 400


def test_what_the_broker_drops_comes_again_from_the_outbox(
    database: str, connection: psycopg.Connection, tmp_path: Path
) -> None:
    program = find_mosquitto()
    if program is None:
        pytest.skip("no mosquitto on this machine: apt-get install mosquitto")
    register(database, "crane-a")
    broker = Broker(tmp_path / "broker", program=program, queued=QueueBounds(messages=BOUND, bytes=10**9))
    address = broker.start()
    try:
        with ingesting(database, address):
            pass  # from now on the broker keeps messages for ingest, up to its bound
        with mqtt_client(address) as client:
            receipts = Receipts(client)
            publish_all(client, [message("crane-a", number) for number in range(SENT)])
            with ingesting(database, address):
                publish_all(client, [message("crane-a", SENT)])
                wait_until(
                    lambda: ("crane-a", boot_of("crane-a", 0), SENT) in receipts.stored, "the last message"
                )
                lost = [
                    seq
                    for seq in range(SENT)
                    if ("crane-a", boot_of("crane-a", 0), seq) not in receipts.stored
                ]
                assert lost, "the bound was not reached"
                # A sender with an outbox sends again what has no receipt.
                publish_all(client, [message("crane-a", number) for number in lost])
                wait_until(lambda: len(receipts.stored) == SENT + 1, "everything after sending again")
        print(
            f"{len(lost)} of {SENT} acknowledged messages were dropped at a bound of {BOUND}; all came again"
        )
    finally:
        broker.stop()
    row = connection.execute(
        "select (select count(*) from segment) + (select count(*) from event)"
    ).fetchone()
    assert row == (SENT + 1,)
