"""Further channels: registered by people with name, unit and range, for a crane or for the fleet, and taken back."""

from typing import Annotated

from fastapi import APIRouter, Path, Request

from api.deps import Caller, Conn, SeenCrane, written
from api.paging import Cursor, Limit, decode_cursor, page
from api.permissions import ENGINEER, ENGINEER_OF_ALL_SITES, PERSONAL, VIEWER
from api.tables import TableRoute
from domain.answers import Page
from domain.further_channel import NAME, FurtherChannelAsked, FurtherChannelRow
from store import further_channels

router = APIRouter(tags=["records"], route_class=TableRoute)
writes = APIRouter(tags=["records"])
ChannelName = Annotated[
    str, Path(pattern=NAME, alias="channel", openapi_examples={"example": {"value": "oil_pressure_bar"}})
]


@router.get("/channels", dependencies=[VIEWER, PERSONAL])
async def list_channels(
    conn: Conn, caller: Caller, limit: Limit = 200, cursor: Cursor = None
) -> Page[FurtherChannelRow]:
    """Further channels of the fleet and of the cranes that you may see, oldest first, withdrawn ones included."""
    after = decode_cursor(cursor, (int,))
    rows = await further_channels.page(conn, caller.site_list, after=after[0] if after else 0, rows=limit + 1)
    return page(rows, limit, [(row.channel_id,) for row in rows])


@router.get("/cranes/{name}/channels", dependencies=[VIEWER, PERSONAL])
async def list_crane_channels(crane: SeenCrane, conn: Conn) -> Page[FurtherChannelRow]:
    """Further channels that hold for a crane, its own before those of the fleet, withdrawn ones included."""
    return Page(items=tuple((await further_channels.of_crane(conn, crane.crane_id)).values()))


@writes.put("/channels/{channel}", dependencies=[ENGINEER_OF_ALL_SITES])
async def register_channel(
    name: ChannelName, asked: FurtherChannelAsked, request: Request, caller: Caller
) -> FurtherChannelRow:
    """Register a further channel of every crane, or change it. Its readings are stored within 30 s; nothing is counted by them."""
    return await written(
        request, caller, lambda conn: further_channels.register(conn, None, name, asked, caller.account)
    )


@writes.put("/cranes/{name}/channels/{channel}", dependencies=[ENGINEER])
async def register_crane_channel(
    crane: SeenCrane, channel: ChannelName, asked: FurtherChannelAsked, request: Request, caller: Caller
) -> FurtherChannelRow:
    """Register a further channel of one crane, or change it; it holds before one of the fleet of the same name."""
    return await written(
        request,
        caller,
        lambda conn: further_channels.register(conn, crane.crane_id, channel, asked, caller.account),
    )


@writes.delete("/channels/{channel}", dependencies=[ENGINEER_OF_ALL_SITES])
async def withdraw_channel(name: ChannelName, request: Request, caller: Caller) -> FurtherChannelRow:
    """Withdraw a further channel of the fleet: what comes is kept apart again, and what is stored can still be read."""
    return await written(
        request, caller, lambda conn: further_channels.withdraw(conn, None, name, caller.account)
    )


@writes.delete("/cranes/{name}/channels/{channel}", dependencies=[ENGINEER])
async def withdraw_crane_channel(
    crane: SeenCrane, channel: ChannelName, request: Request, caller: Caller
) -> FurtherChannelRow:
    """Withdraw a further channel of one crane; one of the fleet of the same name holds again."""
    return await written(
        request, caller, lambda conn: further_channels.withdraw(conn, crane.crane_id, channel, caller.account)
    )
