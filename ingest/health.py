"""Whether ingest moves, and whether it can do its work now."""

import threading
import time
from dataclasses import dataclass, field
from typing import Final

STUCK_AFTER_S: Final = 120.0


@dataclass(slots=True)
class Health:
    """Written by the threads of ingest, read by any. Without a beat yet it is starting."""

    subscribed: threading.Event = field(default_factory=threading.Event)
    _beaten: float | None = None
    _hindrance: str = "starting: the database was not reached yet"

    def beat(self) -> None:
        """A step is done, or there was none to do."""
        self._beaten = time.monotonic()

    def hindered(self, by: str) -> None:
        """The database cannot be used; it is tried again."""
        self._hindrance = by
        self.beat()

    def unhindered(self) -> None:
        """The database does what it is asked."""
        self._hindrance = ""
        self.beat()

    def not_alive(self) -> str:
        """Why the process should be started anew; empty while it moves."""
        age_s = 0.0 if self._beaten is None else time.monotonic() - self._beaten
        return "" if age_s < STUCK_AFTER_S else f"no step for {age_s:.0f} s"

    def not_ready(self) -> str:
        """Why nothing can be stored now; empty when it can."""
        return self.not_storing() or self.no_broker()

    def not_storing(self) -> str:
        """Why what arrives cannot be stored now; empty when it can."""
        return self._hindrance or self.not_alive()

    def no_broker(self) -> str:
        """Why nothing arrives now; empty when the broker has our subscription."""
        return "" if self.subscribed.is_set() else "the broker does not have our subscription"
