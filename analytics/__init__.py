"""The job that keeps every crane's counted duty current. docs/analytics.md tells how, and what to do when it lags."""
