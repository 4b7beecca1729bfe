"""Edge nodes of Sparkplug B as senders: optional, and nothing outside but its mount in `boomledger.services.run_ingest` asks for it.

`host` listens to a group, `nodes` turns what it hears into messages of our own, `payload` reads the protocol buffers.
"""
