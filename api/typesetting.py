"""Turns what a report shows into PDF/UA; the layouts stand in `api/reports/`."""

import json
from collections.abc import Mapping
from datetime import datetime
from importlib.resources import files
from typing import Any

import typst


def pdf(layout: str, data: Mapping[str, Any], at: datetime) -> bytes:
    """The document; the same data and time give the same bytes. CPU work: run it in a thread.

    layout: name of a file in `api/reports/`, without its ending. at: the date that the document carries.
    """
    made: bytes = typst.compile(
        files(__package__).joinpath(f"reports/{layout}.typ").read_bytes(),
        format="pdf",
        ignore_system_fonts=True,
        pdf_standards=["ua-1"],
        timestamp=int(at.timestamp()),
        sys_inputs={"data": json.dumps(data)},
    )
    return made
