"""Cursors: where the next page of a list begins, opaque to the caller."""

import base64
import binascii
from collections.abc import Sequence
from datetime import datetime
from typing import Annotated, Any, Final, TypeVar

import orjson
from fastapi import Query

from domain.answers import Page
from domain.errors import InvalidInput

Row = TypeVar("Row")

LIMIT_MAX: Final = 1000
Limit = Annotated[int, Query(ge=1, le=LIMIT_MAX, description="rows on a page")]
Cursor = Annotated[
    str | None, Query(max_length=400, description="`next_cursor` of the page before; absent for the first")
]


def encode_cursor(*keys: str | int) -> str:
    """A cursor from the key of the last row of a page."""
    return base64.urlsafe_b64encode(orjson.dumps(keys)).decode().rstrip("=")


def decode_cursor(cursor: str | None, kinds: tuple[type, ...]) -> tuple[Any, ...] | None:
    """The key in a cursor, of the given types; InvalidInput for one that this list did not give out."""
    if cursor is None:
        return None
    try:
        keys = orjson.loads(base64.urlsafe_b64decode(cursor.encode("ascii") + b"=" * (-len(cursor) % 4)))
    except (binascii.Error, ValueError):
        keys = None
    fits = isinstance(keys, list) and len(keys) == len(kinds)
    if not fits or any(type(key) is not kind for key, kind in zip(keys, kinds, strict=True)):
        raise InvalidInput("not a cursor of this list: start again without one", field="cursor")
    return tuple(keys)


def moment_in_cursor(text: str) -> datetime:
    """A moment that stands in a cursor; InvalidInput for one that this list did not give out."""
    try:
        moment = datetime.fromisoformat(text)
    except ValueError:
        moment = None
    if moment is None or moment.tzinfo is None:
        raise InvalidInput("not a cursor of this list: start again without one", field="cursor")
    return moment


def page(rows: Sequence[Row], limit: int, keys: Sequence[tuple[str | int, ...]]) -> Page[Row]:
    """A page from up to limit + 1 rows; the one too many says that there is a next page."""
    more = len(rows) > limit
    return Page(items=tuple(rows[:limit]), next_cursor=encode_cursor(*keys[limit - 1]) if more else None)
