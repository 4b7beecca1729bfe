"""One named query with the type of its rows, run on a blocking or an async connection alike.

Analytics and ingest block, the api does not; the SQL and the row type stand once.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any, Generic, TypeVar

from psycopg import AsyncConnection, Connection
from psycopg.rows import class_row, dict_row, scalar_row

from store.sql import query

Row = TypeVar("Row")
Rows = list[dict[str, Any]]
Sites = list[str] | None
"""The sites that a query keeps to, by name; None: all of them."""


@dataclass(frozen=True, slots=True)
class Statement(Generic[Row]):
    """The query `name` of store/queries, whose columns are the fields of `row`: an answer of the domain where they are the same, or a dataclass."""

    name: str
    row: type[Row]

    def all(self, conn: Connection[Any], **params: object) -> list[Row]:
        """Every row."""
        with conn.cursor(row_factory=class_row(self.row)) as cursor:
            return cursor.execute(query(self.name), params).fetchall()

    def first(self, conn: Connection[Any], **params: object) -> Row | None:
        """The first row, None without one."""
        with conn.cursor(row_factory=class_row(self.row)) as cursor:
            return cursor.execute(query(self.name), params).fetchone()

    async def all_async(self, conn: AsyncConnection[Any], **params: object) -> list[Row]:
        """Every row."""
        async with conn.cursor(row_factory=class_row(self.row)) as cursor:
            await cursor.execute(query(self.name), params)
            return await cursor.fetchall()

    async def first_async(self, conn: AsyncConnection[Any], **params: object) -> Row | None:
        """The first row, None without one."""
        async with conn.cursor(row_factory=class_row(self.row)) as cursor:
            await cursor.execute(query(self.name), params)
            return await cursor.fetchone()


def run(conn: Connection[Any], name: str, /, **params: object) -> int:
    """Runs a query that answers no rows; the number of rows it wrote."""
    return conn.execute(query(name), params).rowcount


def scalar(conn: Connection[Any], name: str, /, **params: object) -> Any:
    """The first column of the first row of a query; None without a row."""
    with conn.cursor(row_factory=scalar_row) as cursor:
        return cursor.execute(query(name), params).fetchone()


def run_many(conn: Connection[Any], name: str, rows: Iterable[Mapping[str, object]]) -> None:
    """Runs a writing query once for each set of parameters, in one round trip."""
    with conn.cursor() as cursor:
        cursor.executemany(query(name), list(rows))


async def run_async(conn: AsyncConnection[Any], name: str, /, **params: object) -> int:
    """Runs a query that answers no rows; the number of rows it wrote."""
    return (await conn.execute(query(name), params)).rowcount


async def scalar_async(conn: AsyncConnection[Any], name: str, /, **params: object) -> Any:
    """The first column of the first row of a query; None without a row."""
    async with conn.cursor(row_factory=scalar_row) as cursor:
        await cursor.execute(query(name), params)
        return await cursor.fetchone()


async def dicts_async(conn: AsyncConnection[Any], name: str, /, **params: object) -> Rows:
    """Every row of a query as a dictionary, where a type of its own would only be taken apart again."""
    async with conn.cursor(row_factory=dict_row) as cursor:
        await cursor.execute(query(name), params)
        return await cursor.fetchall()
