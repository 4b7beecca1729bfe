"""Progress and lag of analytics as Prometheus metrics."""

from typing import Final

from prometheus_client import Counter, Gauge, Histogram

DAYS_COUNTED: Final = Counter("boomledger_analytics_days_counted", "crane-days counted")
SAMPLES_COUNTED: Final = Counter("boomledger_analytics_samples_counted", "samples counted")
FAILURES: Final = Counter(
    "boomledger_analytics_failures", "counts that failed and will be tried again", ["error"]
)
CLAIM_SECONDS: Final = Histogram(
    "boomledger_analytics_claim_seconds",
    "time from claiming days of a crane to their commit",
    buckets=(0.05, 0.1, 0.25, 0.5, 1, 2.5, 5, 10, 30, 60, 300),
)
WAITING_DAYS: Final = Gauge(
    "boomledger_analytics_waiting_crane_days", "touched crane-days that wait to be counted"
)
LAG_SECONDS: Final = Gauge(
    "boomledger_analytics_lag_seconds", "age of the oldest touch that waits to be counted"
)
