"""Counters of the ingest process, for Prometheus."""

from typing import Final

from prometheus_client import Counter, Gauge, Histogram

MESSAGES: Final = Counter(
    "boomledger_ingest_messages",
    "Messages committed, by outcome: stored, duplicate, quarantined",
    ["outcome"],
)
QUARANTINED: Final = Counter("boomledger_ingest_quarantined", "Messages set aside, by reason", ["reason"])
SAMPLES: Final = Counter("boomledger_ingest_samples", "Samples stored, duplicates not counted")
REFUSED: Final = Counter(
    "boomledger_ingest_refused_readings", "Readings out of range, stored as missing, by channel", ["channel"]
)
COMMIT_DELAY: Final = Histogram(
    "boomledger_ingest_commit_delay_seconds",
    "From the arrival of a message to its commit",
    buckets=(0.02, 0.05, 0.1, 0.2, 0.3, 0.5, 0.75, 1, 2, 5, 15, 60, 300),
)
BATCH: Final = Histogram(
    "boomledger_ingest_batch_messages",
    "Messages in one transaction",
    buckets=(1, 2, 5, 10, 20, 50, 100, 200, 500),
)
RECEIVED: Final = Counter("boomledger_ingest_received", "Messages that arrived, committed or not")
WAITING_BYTES: Final = Gauge(
    "boomledger_ingest_waiting_bytes", "Bytes of messages in memory, not committed yet"
)
LAG: Final = Gauge("boomledger_ingest_lag_seconds", "Age of the oldest message in the batch committed last")
DATABASE_RETRIES: Final = Counter(
    "boomledger_ingest_database_retries",
    "Transactions that had to be tried again because the database was not there",
)
SEQUENCE_REPEATED: Final = Counter(
    "boomledger_ingest_sequence_repeated",
    "Messages whose boot and sequence number came before with another time",
)
RECEIPTS: Final = Counter("boomledger_ingest_receipts", "Receipts published")
RECEIPTS_DROPPED: Final = Counter(
    "boomledger_ingest_receipts_dropped", "Receipts that the broker did not take in time; senders send again"
)
NOTICES: Final = Counter(
    "boomledger_ingest_notices", "Notices to senders of what they get wrong, by code", ["code"]
)
REBIRTHS: Final = Counter(
    "boomledger_ingest_sparkplug_rebirths", "Sparkplug nodes that were asked for their births again"
)
CONNECTED: Final = Gauge("boomledger_ingest_broker_connected", "1 while the broker connection stands")
REMOVED: Final = Counter(
    "boomledger_ingest_quarantine_removed", "Messages removed by quarantine's size bound"
)
