"""Many cranes on one broker: every message gets its receipt, and refusals are said."""

import pytest

from benchmarks.load import Load, crane_names, run_load
from domain.errors import InvalidInput, Unavailable


@pytest.mark.mosquitto
def test_every_crane_sends_and_every_message_is_counted(broker_port, ledger) -> None:
    load = Load(cranes=40, seconds=2.0, message_every_s=0.5, samples=5)
    measured = run_load(f"mqtt://127.0.0.1:{broker_port}", load)
    assert measured.messages == 160
    assert measured.receipts == 160
    assert measured.quarantined == 0
    assert measured.delay_median_s <= measured.delay_p99_s
    assert len(ledger.samples) == 160
    assert {crane for crane, _ in ledger.samples.values()} == set(crane_names(40))


def test_without_a_broker_it_says_so() -> None:
    with pytest.raises(Unavailable, match="no further connection"):
        run_load("mqtt://127.0.0.1:1", Load(cranes=1, seconds=1.0))


@pytest.mark.parametrize("wrong", [{"cranes": 0}, {"seconds": 0.0}, {"samples": 0}, {"message_every_s": 0.0}])
def test_a_load_of_nothing_is_refused(wrong: dict[str, float]) -> None:
    with pytest.raises(InvalidInput):
        Load(**{"cranes": 1, "seconds": 1.0, **wrong})
