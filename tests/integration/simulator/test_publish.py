"""Records through a real broker: everything arrives, and what got no receipt is sent again."""

from datetime import date

import pytest

from domain.errors import Unavailable
from simulator.generate import generate
from simulator.outbox import Outbox
from simulator.publish import Publisher, in_sending_order, publish
from simulator.record import DayRecord
from simulator.yard import load_yard

pytestmark = pytest.mark.mosquitto


@pytest.fixture(scope="module")
def records() -> list[DayRecord]:
    return list(generate(load_yard().cranes[:4], date(2025, 11, 5), 1, dt_ms=1000))


def sent_by(records: list[DayRecord]) -> int:
    return sum(len(record.batches) + len(record.events) for record in records)


def test_everything_arrives_and_the_outbox_ends_empty(broker_port, ledger, records) -> None:
    with Outbox(":memory:") as outbox:
        sent = publish(records, f"mqtt://127.0.0.1:{broker_port}", outbox=outbox)
        assert len(outbox) == 0
    assert sent.messages == sent.stored == sent_by(records)
    assert sent.quarantined == 0
    samples = sum(len(next(iter(body.channels.values()))) for _, body in ledger.samples.values())
    assert samples == sum(record.samples for record in records)
    assert len(ledger.events) == sum(len(record.events) for record in records)


def test_a_message_without_receipt_comes_again(broker_port, forgetful_ledger, records) -> None:
    with Publisher(f"mqtt://127.0.0.1:{broker_port}", resend_after_s=0.5) as publisher:
        sent = publisher.run(in_sending_order(records[:1]))
    assert sent.stored == sent_by(records[:1])
    assert forgetful_ledger.copies > sent.stored
    assert sent.sent_again == forgetful_ledger.copies - sent.stored


def test_without_a_ledger_it_gives_up_and_says_what_to_check(broker_port, records) -> None:
    with (
        Publisher(f"mqtt://127.0.0.1:{broker_port}", patience_s=0.5) as publisher,
        pytest.raises(Unavailable, match="is ingest running"),
    ):
        publisher.run(in_sending_order(records[:1]))


def test_without_a_broker_it_says_so(records) -> None:
    with pytest.raises(Unavailable, match="is it running"):
        publish(records[:1], "mqtt://127.0.0.1:1")
