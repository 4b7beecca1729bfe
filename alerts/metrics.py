"""Figures of the watch for Prometheus."""

from typing import Final

from prometheus_client import Counter, Gauge, Histogram

RAISED: Final = Counter("boomledger_alerts_raised", "Alerts raised")
CLEARED: Final = Counter("boomledger_alerts_cleared", "Alerts cleared")
OPEN: Final = Gauge("boomledger_alerts_open", "Alerts open after the last round")
ROUND_SECONDS: Final = Histogram("boomledger_alerts_round_seconds", "Time of one round over all rules [s]")
SENT: Final = Counter("boomledger_alerts_messages_sent", "Messages that the other side took", ["means"])
FAILED: Final = Counter("boomledger_alerts_messages_failed", "Tries of messages that failed", ["means"])
GIVEN_UP: Final = Counter(
    "boomledger_alerts_messages_given_up", "Messages that are not tried again", ["means"]
)
WAITING: Final = Gauge("boomledger_alerts_messages_waiting", "Messages that wait to be sent")
FAILURES: Final = Counter("boomledger_alerts_failures", "Rounds that failed", ["error"])
