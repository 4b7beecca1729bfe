"""SIGKILL at random moments, under load: afterwards nothing is missing, nothing is there twice, outboxes are empty."""

import random
import time

import psycopg
import pytest

from tests.faults.conftest import Installation

pytestmark = pytest.mark.mosquitto

SHORT_KILLS, FULL_KILLS = 2, 20
PER_SECOND = 40.0
VICTIMS = ("ingest", "postgres", "broker", "sender")


def load_while(installation: Installation, cranes: dict[str, int], seed: int, kills: list[str]) -> int:
    """Cranes send while processes are killed; returns how many messages each produced."""
    rng = random.Random(seed)
    total = int(PER_SECOND * (2 + 1.5 * len(kills)))
    for crane in cranes:
        installation.send(crane, total, PER_SECOND)
    for victim in kills:
        time.sleep(rng.uniform(0.2, 1.5))  # the random moment, not a wait for anything
        installation.kill(rng.choice(list(cranes)) if victim == "sender" else victim)
    installation.finish(*cranes)
    return total


def kills_then_all_is_there(installation: Installation, cranes: dict[str, int], kills: list[str]) -> None:
    total = load_while(installation, cranes, seed=len(kills), kills=kills)
    for crane, crane_id in cranes.items():
        installation.check_equal(crane, crane_id, total)
    installation.check_ledgers(total, *cranes)
    assert installation.quarantined() == 0
    print(
        f"{len(kills)} kills of {sorted(set(kills))}, {total * len(cranes)} messages, none lost, none twice,"
        f" ledgers equal"
    )


@pytest.mark.timeout(600)
@pytest.mark.parametrize("victim", VICTIMS)
def test_nothing_is_lost_when_one_is_killed(
    installation: Installation, cranes: dict[str, int], victim: str
) -> None:
    kills_then_all_is_there(installation, cranes, [victim] * SHORT_KILLS)


@pytest.mark.full
@pytest.mark.timeout(1800)
@pytest.mark.parametrize("victim", VICTIMS)
def test_nothing_is_lost_when_one_is_killed_again_and_again(
    installation: Installation, cranes: dict[str, int], victim: str
) -> None:
    kills_then_all_is_there(installation, cranes, [victim] * FULL_KILLS)


@pytest.mark.full
@pytest.mark.timeout(1800)
def test_nothing_is_lost_when_any_may_be_killed(installation: Installation, cranes: dict[str, int]) -> None:
    kills_then_all_is_there(installation, cranes, random.Random(7).choices(VICTIMS, k=FULL_KILLS))


def refuse_for(installation: Installation, cranes: dict[str, int], seconds: float) -> None:
    """The database refuses every connection for a while."""
    total = int(PER_SECOND * (seconds + 2))
    for crane in cranes:
        installation.send(crane, total, PER_SECOND)
    with psycopg.connect(installation.database, dbname="template1", autocommit=True) as conn:
        conn.execute("alter database postgres allow_connections false")
        conn.execute("select pg_terminate_backend(pid) from pg_stat_activity where datname = 'postgres'")
        time.sleep(seconds)  # the fault itself
        conn.execute("alter database postgres allow_connections true")
    installation.finish(*cranes)
    for crane, crane_id in cranes.items():
        installation.check_equal(crane, crane_id, total)
    print(
        f"database refused connections for {seconds:g} s, {total * len(cranes)} messages, none lost, none twice"
    )


@pytest.mark.timeout(600)
def test_a_database_that_refuses_connections_is_waited_for(
    installation: Installation, cranes: dict[str, int]
) -> None:
    refuse_for(installation, cranes, seconds=3)


@pytest.mark.full
@pytest.mark.timeout(1800)
def test_a_database_that_refuses_connections_for_a_minute_is_waited_for(
    installation: Installation, cranes: dict[str, int]
) -> None:
    refuse_for(installation, cranes, seconds=60)
