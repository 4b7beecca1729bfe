"""How a process is told to stop."""

import signal
from collections.abc import Iterator

import pytest

from boomledger.services import stop_on_signals


@pytest.fixture(autouse=True)
def _own_handlers() -> Iterator[None]:
    before = {number: signal.getsignal(number) for number in (signal.SIGTERM, signal.SIGINT)}
    yield
    for number, handler in before.items():
        signal.signal(number, handler)


@pytest.mark.timeout(20)
def test_a_signal_inside_the_wait_for_it_is_heard() -> None:
    stop = stop_on_signals()
    with stop._cond:  # as in the first and last steps of stop.wait()
        signal.raise_signal(signal.SIGTERM)
    assert stop.wait(10)
