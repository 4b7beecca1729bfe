"""Ingest as a process of its own, to be killed: python -m tests.support.ingest_process BROKER_URL DATABASE_URL [GROUP]."""

import signal
import sys
import threading

from ingest.service import run

if __name__ == "__main__":
    stop = threading.Event()
    signal.signal(signal.SIGTERM, lambda *_: stop.set())
    run(
        broker_url=sys.argv[1],
        database_url=sys.argv[2],
        stop=stop,
        shared_group=sys.argv[3] if len(sys.argv) > 3 else None,
        batch_messages=100,
    )
