"""MQTT to database: every message is stored once, or set aside with a reason, and only then acknowledged.

`ingest.service.run` is the process; `link` talks to the broker, `decode` judges a message, `writer` stores a batch.
"""
