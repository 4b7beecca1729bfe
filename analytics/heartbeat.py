"""Whether a worker is alive and able to work, for probes from outside."""

import threading
import time
from dataclasses import dataclass, field
from typing import Final

STUCK_AFTER_S: Final = 600.0  # without a step; a claim of many long days takes a minute at most


@dataclass(kw_only=True)
class Heartbeat:
    """Beaten by the worker between its steps, read by any thread. Without a beat yet it is starting."""

    stuck_after_s: float = STUCK_AFTER_S
    _lock: threading.Lock = field(default_factory=threading.Lock)
    _beaten: float | None = None
    _lost: str = "starting: no step yet"

    def beat(self) -> None:
        """A step is done, or there was none to do; the database answers."""
        with self._lock:
            self._beaten, self._lost = time.monotonic(), ""

    def lost(self, problem: str) -> None:
        """The database does not answer; the worker tries again."""
        with self._lock:
            self._beaten, self._lost = time.monotonic(), problem

    def not_alive(self) -> str:
        """Why the process should be started anew; empty while it moves."""
        with self._lock:
            age = None if self._beaten is None else time.monotonic() - self._beaten
        return "" if age is None or age < self.stuck_after_s else f"no step for {age:.0f} s"

    def not_ready(self) -> str:
        """Why nothing is counted now; empty when it is."""
        stuck = self.not_alive()
        with self._lock:
            return stuck or self._lost
