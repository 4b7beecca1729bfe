"""A crane as a process of its own, to be killed: it keeps every message in an outbox on disk until its receipt.

python -m tests.support.sender_process BROKER_URL CRANE FOLDER TOTAL PER_SECOND

It ends by itself when all messages were produced and the outbox is empty.
"""

import contextlib
import sys
import time
from pathlib import Path

from domain.errors import Unavailable
from domain.messages import ReceiptMessage
from simulator.broker import CraneLink, broker_address
from simulator.messages import Outgoing
from simulator.outbox import Outbox
from tests.support.telemetry import MESSAGES_PER_BOOT, boot_of, message

RESEND_AFTER_S = 3.0
CHUNK = 20


def outgoing(name: str, number: int) -> Outgoing:
    where, payload = message(name, number)
    return Outgoing(name, boot_of(name, number), number % MESSAGES_PER_BOOT, 0, where, payload)


def connect(url: str, name: str, outbox: Outbox) -> CraneLink:
    def on_receipt(crane: str, receipt: ReceiptMessage) -> None:
        outbox.receipt(crane, receipt.boot, receipt.stored)
        outbox.receipt(crane, receipt.boot, receipt.quarantined, refused=True)

    while True:
        with contextlib.suppress(Unavailable):
            return CraneLink(broker_address(url), name, boot_of(name, 0), on_receipt, outbox.send_all_again)
        time.sleep(0.2)


def main(url: str, name: str, folder: Path, total: int, per_second: float) -> None:
    # Messages are the same at each start, so one that is produced again after a kill is no new message.
    progress = folder / f"{name}.progress"
    produced = int(progress.read_text()) if progress.exists() else 0
    outbox = Outbox(folder / f"{name}.outbox")
    link = connect(url, name, outbox)
    begin, before = time.monotonic(), produced
    while produced < total or len(outbox):
        wanted = min(total, before + int((time.monotonic() - begin) * per_second))
        if produced < wanted:
            chunk = range(produced, min(wanted, produced + CHUNK))
            outbox.put([outgoing(name, number) for number in chunk])
            produced = chunk.stop
            with (folder / f"{name}.progress.new").open("w") as file:
                file.write(str(produced))
            (folder / f"{name}.progress.new").replace(progress)
        for due in outbox.due(time.monotonic(), RESEND_AFTER_S, 500):
            link.publish(due.topic, due.payload)
        time.sleep(0.01)
    link.close()


if __name__ == "__main__":
    main(sys.argv[1], sys.argv[2], Path(sys.argv[3]), int(sys.argv[4]), float(sys.argv[5]))
