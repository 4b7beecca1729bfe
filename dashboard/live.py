"""Live values: one websocket a browser, fed for as long as a page is open.

A persistent callback of Dash runs on the connection and pushes into the component `live`; in the browser that
component hands the values to every live element of the page.
"""

import asyncio
import logging
from typing import Any, Final

from dash import Dash, ctx, set_props

from dashboard.client import Client, NotAllowed
from domain import attention
from domain.answers import LiveAnswer
from domain.errors import BoomledgerError

_LOG = logging.getLogger("dashboard")
PUSH_EVERY_S: Final = 1.0
RETRY_AFTER_S: Final = 5.0


def row_of(answer: LiveAnswer) -> dict[str, Any]:
    """What the browser needs of a live answer."""
    return {
        "at": answer.at.isoformat() if answer.at is not None else None,
        "online": answer.online,
        "state": attention.utilisation_state(answer.values.get("utilisation_pct"), answer.age_s).value,
        "values": dict(answer.values),
    }


def register(app: Dash, client: Client) -> None:
    """The persistent callback behind every live element."""

    @app.callback(websocket=True, persistent=True)
    async def follow() -> None:
        connection = ctx.websocket
        fresh: dict[str, dict[str, Any]] = {}

        async def listen() -> None:
            await asyncio.sleep(PUSH_EVERY_S)  # a page that has just come is as new, and needs the processor
            while True:
                try:
                    async for changes in client.live_changes():
                        fresh.update({answer.crane: row_of(answer) for answer in changes.items})
                        await asyncio.sleep(PUSH_EVERY_S)
                except (BoomledgerError, NotAllowed) as problem:
                    _LOG.warning("live values stopped: %s", problem)
                await asyncio.sleep(RETRY_AFTER_S)

        listener = asyncio.create_task(listen())
        try:
            while connection is not None and not connection.is_shutdown:
                if fresh:
                    set_props("live", {"data": dict(fresh)})
                    fresh.clear()
                await asyncio.sleep(PUSH_EVERY_S)
        finally:
            listener.cancel()
