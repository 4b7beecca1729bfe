"""Placement of tables on the nodes of a Citus cluster: growing ones by crane, small ones on every node."""

import psycopg

from domain.errors import Conflict
from store.connection import connect
from store.migrate import wall_off
from store.sql import query


def shard_by_crane(url: str) -> int:
    """Place what is not placed yet; how many tables were. `url` is the coordinator's. Raises Conflict without Citus."""
    with connect(url) as conn:
        try:
            row = conn.execute(query("shard_by_crane")).fetchone()
        except psycopg.errors.RaiseException as problem:
            raise Conflict(f"{problem.diag.message_primary}: {problem.diag.message_hint}") from problem
        wall_off(conn)
    return 0 if row is None else int(row[0])
