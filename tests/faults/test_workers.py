"""Several ingest processes on one shared subscription, killed in turn."""

import pytest

from tests.faults.conftest import installed
from tests.faults.test_kills import FULL_KILLS, SHORT_KILLS, load_while
from tests.support.ingesting import register

pytestmark = pytest.mark.mosquitto


def workers_killed(kills: int) -> None:
    """Members of a shared subscription are killed in turn; the others and the outboxes make up for it."""
    with installed(workers=3) as installation:
        cranes = register(installation.database, *(f"shared-{number}" for number in range(3)))
        total = load_while(installation, cranes, seed=kills, kills=[f"ingest-{n % 3}" for n in range(kills)])
        for crane, crane_id in cranes.items():
            installation.check_equal(crane, crane_id, total)
        installation.check_ledgers(total, *cranes)
        assert installation.quarantined() == 0
    print(f"{kills} kills of 3 workers, {total * len(cranes)} messages, none lost, none twice, ledgers equal")


@pytest.mark.timeout(600)
def test_nothing_is_lost_when_workers_on_a_shared_subscription_are_killed() -> None:
    workers_killed(SHORT_KILLS)


@pytest.mark.full
@pytest.mark.timeout(1800)
def test_nothing_is_lost_when_workers_are_killed_again_and_again() -> None:
    workers_killed(FULL_KILLS)
