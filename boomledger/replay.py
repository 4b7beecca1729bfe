"""`boomledger replay`: a recorded period over MQTT once more, as if live, under the name of a twin.

A replay under a crane's own name would add duty to it that it never did, so every crane gets a twin, registered
as a copy of it and named `replay-NAME`, that the fleet shows beside the others.
"""

import threading
from collections.abc import Iterable
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Final

import numpy as np
import psycopg
from rich.console import Console

from boomledger.console import say_notice
from boomledger.services import broker_url, database_url
from boomledger.settings import Settings
from boomledger.yard import TWIN
from domain.channels import CHANNEL_NAMES
from domain.errors import InvalidInput
from domain.units import ms_to_s
from simulator.publish import Publisher
from simulator.replay import Happening, Recording, Segment, read_recording, replay
from store import cranes, events, segments
from store.connection import connect

CRANE_NAME_LENGTH: Final = 63  # of domain.messages.CRANE_NAME_PATTERN


def run(
    settings: Settings,
    *,
    names: Iterable[str],
    time_from: datetime | None,
    time_to: datetime | None,
    samples_file: Path | None,
    events_file: Path | None,
    factor: float,
    thin: bool,
    stop: threading.Event,
    console: Console,
) -> None:
    """Send a period of some cranes from the database, or what files hold. Raises InvalidInput for half a choice."""
    url = database_url(settings)
    with connect(url) as conn:
        if samples_file is not None:
            recording = read_recording(samples_file, events_file)
        elif time_from is not None and time_to is not None and (wanted := list(names)):
            recording = recorded(conn, wanted, time_from, time_to)
        else:
            raise InvalidInput("name --crane, --from and --to, or a file with --samples")
        twins = {name: _twin(conn, name) for name in sorted({part.crane for part in recording.segments})}
    first, last = recording.span_ms()
    console.print(
        f"{ms_to_s(last - first):.0f} s of {', '.join(twins)} at {factor:g} times as {', '.join(twins.values())}",
        highlight=False,
    )
    with Publisher(
        broker_url(settings),
        ca_file=settings.broker_ca_file,
        on_notice=say_notice,
        thin=twins.values() if thin else (),
    ) as publisher:
        sent = publisher.run(
            replay(recording, factor, datetime.now(UTC), names=twins), factor=factor, stop=stop
        )
    console.print(f"{sent.stored} of {sent.messages} messages are stored", highlight=False)


def recorded(
    conn: psycopg.Connection[Any], names: Iterable[str], time_from: datetime, time_to: datetime
) -> Recording:
    """What the database holds of some cranes from time_from on, before time_to."""
    known = cranes.directory(conn)
    found: list[Segment] = []
    happened: list[Happening] = []
    for name in names:
        if name not in known:
            raise InvalidInput(f"there is no crane {name}; `boomledger crane list` names them", field="crane")
        crane_id = known[name].crane_id
        found += _segments(name, segments.read(conn, crane_id, time_from, time_to, CHANNEL_NAMES))
        happened += [
            Happening(name, segments.to_ms(event.at), event.kind, event.code, event.state, event.text)
            for event in events.read(conn, crane_id, time_from, time_to)
        ]
    return Recording(found, happened)


def _segments(name: str, read: segments.Segments) -> Iterable[Segment]:
    for place, start in enumerate(read.starts):
        part = slice(int(start), int(start + read.n[place]))
        channels = {
            channel: values[part]
            for channel, values in read.channels.items()
            if not np.isnan(values[part]).all()
        }
        if channels:
            yield Segment(name, int(read.t0_ms[place]), int(read.dt_ms[place]), channels)


def _twin(conn: psycopg.Connection[Any], name: str) -> str:
    twin = f"{TWIN}{name}"
    if len(twin) > CRANE_NAME_LENGTH:
        raise InvalidInput(
            f"{name} is too long a name for a twin: {TWIN}NAME has at most {CRANE_NAME_LENGTH} characters"
        )
    record = cranes.get_crane(conn, name)
    if twin not in cranes.directory(conn):
        copy = record.crane.model_copy(
            update={"name": twin, "title": f"Replay of {record.crane.title or name}"[:100]}
        )
        cranes.save_crane(conn, copy, on_file=False)
        conn.commit()
    return twin
