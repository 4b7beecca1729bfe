"""Recorded channels over a range, down-sampled so that every extreme stays."""

from typing import Annotated

from fastapi import APIRouter, Query

from answers.samples import Keep, samples_of
from api.bounds import SAMPLES_RANGE_MAX, TimeFrom, TimeTo, time_range
from api.deps import Conn, SeenCrane
from api.permissions import PERSONAL, VIEWER
from api.tables import TableRoute
from domain.answers import SamplesAnswer
from domain.channels import CHANNEL_BY_NAME
from domain.errors import InvalidInput

router = APIRouter(tags=["cranes"], route_class=TableRoute)


@router.get("/cranes/{name}/samples", dependencies=[VIEWER, PERSONAL])
async def show_samples(
    crane: SeenCrane,
    conn: Conn,
    time_from: TimeFrom,
    time_to: TimeTo,
    channels: Annotated[
        str,
        Query(max_length=500, description="channel names, with commas between"),
    ] = "utilisation_pct",
    points: Annotated[int, Query(ge=10, le=40_000, description="times in the answer, at most")] = 2000,
    keep: Annotated[
        Keep, Query(description="what down-sampling keeps: every extreme, or the shape of the first channel")
    ] = Keep.EXTREMES,
) -> SamplesAnswer:
    """Recorded channels over at most 31 days: smallest and largest reading of each of `points` buckets.

    An outreach that the crane does not send is computed from its pose and named in `computed`. With `keep=shape` a choice of the samples themselves (largest triangle, three buckets): for a picture of one line.
    """
    span = time_range(time_from, time_to, SAMPLES_RANGE_MAX)
    return await samples_of(conn, crane, span, channel_names(channels), points, keep)


def channel_names(text: str) -> tuple[str, ...]:
    """Channel names out of a list with commas; InvalidInput for one that does not exist."""
    names = tuple(dict.fromkeys(name.strip() for name in text.split(",") if name.strip()))
    unknown = [name for name in names if name not in CHANNEL_BY_NAME]
    if unknown or not names:
        raise InvalidInput(
            f"no channel {', '.join(unknown) or text!r}; there are {', '.join(CHANNEL_BY_NAME)}",
            field="channels",
        )
    return names
