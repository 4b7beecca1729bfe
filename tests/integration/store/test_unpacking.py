"""Readings come back as they were stored: in one piece where a superuser could declare that, else element by element."""

import numpy as np
import psycopg
import pytest
from psycopg import sql

from domain.channels import CHANNEL_NAMES
from domain.errors import InvalidInput
from store import segments
from store.segments import Segment, from_ms
from store.site_scope import ROLE
from store.sql import query
from tests.integration.analytics.crane_at_work import put_crane
from tests.support.databases import citus_workers

T0_MS = 1_767_600_000_000
KINDS = ("whole", "same", "missing", "one gap", "nearly the same")


def readings(kind: str, n: int, rng: np.random.Generator) -> np.ndarray:
    values = rng.uniform(0, 90, n).astype(np.float32)
    match kind:
        case "same":
            values[:] = values[0]
        case "missing":
            values[:] = np.nan
        case "one gap":
            values[rng.integers(n)] = np.nan
        case "nearly the same":
            values[:-1] = values[0]
    return values


def take_away(conn: psycopg.Connection) -> None:
    """Leave the database as the migration of one without superuser leaves it."""
    conn.execute("drop schema if exists plain cascade")
    conn.execute(sql.SQL("grant create on database {} to {}").format(
        sql.Identifier(conn.info.dbname), sql.Identifier(ROLE)
    ))  # fmt: skip
    conn.execute(sql.SQL("set role {}").format(sql.Identifier(ROLE)))
    conn.execute("select offer_plain_readings()")
    conn.execute("reset role")


@pytest.mark.parametrize("plain", [True, False])
def test_every_mixture_of_channels_is_read_as_it_was_stored(
    database: str, connection: psycopg.Connection, plain: bool
) -> None:
    if not plain:
        take_away(connection)
    offered = connection.execute(query("plain_readings_offered")).fetchone()
    assert offered == (plain and not citus_workers(),)
    yard = put_crane(database)
    rng = np.random.default_rng(3)
    stored = []
    for number in range(60):
        n = 1 if number % 7 == 0 else int(rng.integers(2, 40))
        names = tuple(name for name in CHANNEL_NAMES if name == "utilisation_pct" or rng.random() < 0.8)
        values = np.stack([readings(str(rng.choice(KINDS)), n, rng) for _ in names])
        stored.append(
            Segment(
                crane_id=yard.crane_id,
                t0_ms=T0_MS + number * 60_000,
                boot=1,
                seq=number,
                dt_ms=1000,
                channels=names,
                values=values,
                received_ms=T0_MS,
            )
        )
    yard.store(stored)
    with psycopg.connect(database) as conn:
        for asked in (CHANNEL_NAMES, ("limit_pct", "utilisation_pct"), ("mode",)):
            found = segments.read(conn, yard.crane_id, from_ms(T0_MS), from_ms(T0_MS + 3_600_000), asked)
            assert found.n.tolist() == [segment.values.shape[1] for segment in stored]
            assert tuple(found.channels) == asked
            for name in asked:
                expected = np.concatenate(
                    [
                        segment.values[segment.channels.index(name)]
                        if name in segment.channels
                        else np.full(segment.values.shape[1], np.nan, np.float32)
                        for segment in stored
                    ]
                )
                np.testing.assert_array_equal(found.channels[name], expected)


def test_a_row_that_holds_too_few_readings_is_told(database: str, connection: psycopg.Connection) -> None:
    yard = put_crane(database)
    segments.make_ranges(connection, from_ms(T0_MS), from_ms(T0_MS))
    connection.execute(
        "insert into segment (crane_id, t0, boot, seq, dt_ms, n, received_at, utilisation_pct)"
        " values (%s, %s, 1, 1, 100, 3, now(), '{1, 2}')",
        [yard.crane_id, from_ms(T0_MS)],
    )
    with pytest.raises(InvalidInput, match="segment of 3 samples"):
        segments.read(connection, yard.crane_id, from_ms(T0_MS), from_ms(T0_MS + 1), ["utilisation_pct"])
