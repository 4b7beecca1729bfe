"""Placement of tables on the nodes of a Citus cluster: growing ones by crane, small ones on every node.

Nothing else needs this folder: without it there is no `boomledger db shard`, and `is_placed` (store/schema/replaced/1_functions.sql) says no.
"""

from typing import Any

import psycopg
from psycopg import Connection
from psycopg.sql import SQL, Identifier

from domain.errors import Conflict
from store.connection import connect, first_line
from store.migrate import replace_objects
from store.site_scope import ROLE
from store.sql import query


def shard_by_crane(url: str) -> tuple[int, str]:
    """Place what is not placed yet, give it its policies and let the api's role in. `url` is the coordinator's. Again is harmless.

    How many tables were placed, and why the role could not be let in (empty where it was). Raises Conflict without Citus.
    """
    with connect(url) as conn:
        try:
            row = conn.execute(query("shard_by_crane")).fetchone()
        except psycopg.errors.RaiseException as problem:
            raise Conflict(f"{problem.diag.message_primary}: {problem.diag.message_hint}") from problem
        replace_objects(conn)
    with connect(url, autocommit=True) as conn:
        return 0 if row is None else int(row[0]), _let_role_in(conn)


def _let_role_in(conn: Connection[Any]) -> str:
    try:
        for (grant,) in conn.execute(query("numbers_granted"), {"role": ROLE}).fetchall():
            conn.execute(grant)
        if conn.execute(query("role_kept_out"), {"role": ROLE}).fetchone() is not None:
            conn.execute(SQL(query("role_let_in")).format(role=Identifier(ROLE)))
    except psycopg.errors.InsufficientPrivilege as problem:
        return first_line(problem)
    return ""
