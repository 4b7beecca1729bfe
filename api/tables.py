"""The same answers as CSV or Parquet, chosen by the Accept header."""

import csv
import io
import json
from collections.abc import Callable, Coroutine
from datetime import datetime
from typing import Any, Final

import orjson
import pyarrow as pa
import pyarrow.parquet as pq
from anyio import to_thread
from fastapi import Request, Response
from fastapi.routing import APIRoute

from api.problems import problem_response, request_id

CSV: Final = "text/csv"
PARQUET: Final = "application/vnd.apache.parquet"
FORMULA_STARTS: Final = ("=", "+", "-", "@", "\t", "\r")
Columns = dict[str, list[Any]]


class TableRoute(APIRoute):
    """A route whose answer is rows: JSON by default, CSV or Parquet where Accept asks for it."""

    def get_route_handler(self) -> Callable[[Request], Coroutine[Any, Any, Response]]:
        """The handler with the choice of form behind it."""
        answer_json = super().get_route_handler()

        async def answer(request: Request) -> Response:
            form = wanted_form(request.headers.get("accept", ""))
            if form is None:
                text = f"this comes as application/json, {CSV} or {PARQUET}"
                return problem_response(406, text, request_id=request_id(request))
            response = await answer_json(request)
            if form == "json" or response.status_code != 200:
                return response
            return await to_thread.run_sync(as_table, bytes(response.body), form)

        return answer


def wanted_form(accept: str) -> str | None:
    """json, csv or parquet by an Accept header; the best liked, JSON among equals; None where none is accepted."""
    names = {
        "application/json": "json",
        CSV: "csv",
        PARQUET: "parquet",
        "*/*": "json",
        "application/*": "json",
        "text/*": "csv",
    }
    liked: list[tuple[float, int, str]] = []
    for place, part in enumerate(accept.split(",") if accept.strip() else ["*/*"]):
        kind, *options = (piece.strip().lower() for piece in part.split(";"))
        weight = next((_weight(option[2:]) for option in options if option.startswith("q=")), 1.0)
        if kind in names and weight > 0:
            liked.append((-weight, place, names[kind]))
    return min(liked)[2] if liked else None


def _weight(text: str) -> float:
    try:
        return float(text)
    except ValueError:
        return 0.0


def as_table(body: bytes, form: str) -> Response:
    """A JSON answer as CSV or Parquet; the cursor of the next page goes into the Link header."""
    payload = orjson.loads(body)
    columns = columns_of(payload)
    headers = {"content-disposition": f'attachment; filename="export.{form}"'}
    if payload.get("next_cursor"):
        headers["link"] = f'<?cursor={payload["next_cursor"]}>; rel="next"'
    if form == "csv":
        return Response(
            csv_text(columns), media_type=f"{CSV}; charset=utf-8; header=present", headers=headers
        )
    return Response(parquet_bytes(columns), media_type=PARQUET, headers=headers)


def columns_of(payload: dict[str, Any]) -> Columns:
    """Columns out of rows, or out of series over time."""
    if "series" in payload:
        columns: Columns = {"at_ms": payload["at_ms"]}
        for name, series in payload["series"].items():
            columns |= {f"{name}_low": series["low"], f"{name}_high": series["high"]}
        return columns
    rows = payload["items"] if "items" in payload else payload["rows"]
    names = list(dict.fromkeys(name for row in rows for name in row))
    return {name: [row.get(name) for row in rows] for name in names}


def csv_text(columns: Columns) -> str:
    """CSV as RFC 4180, with a header. A text that a spreadsheet would take for a formula gets a quote in front."""
    text = io.StringIO(newline="")
    writer = csv.writer(text)
    writer.writerow(columns)
    writer.writerows([_csv_cell(value) for value in row] for row in zip(*columns.values(), strict=True))
    return text.getvalue()


def _csv_cell(value: Any) -> Any:
    if isinstance(value, list | dict):
        value = json.dumps(value, ensure_ascii=False)
    if isinstance(value, str):
        return f"'{value}" if value.startswith(FORMULA_STARTS) else value
    return value


def parquet_bytes(columns: Columns) -> bytes:
    """Parquet with zstd: times as UTC timestamps, nested values as JSON text."""
    arrays = {name: _parquet_values(name, values) for name, values in columns.items()}
    sink = io.BytesIO()
    pq.write_table(pa.table(arrays), sink, compression="zstd")
    return sink.getvalue()


def _parquet_values(name: str, values: list[Any]) -> pa.Array:
    if name == "at" or name.endswith("_at"):
        moments = [None if value is None else datetime.fromisoformat(value) for value in values]
        return pa.array(moments, pa.timestamp("us", tz="UTC"))
    if any(isinstance(value, list | dict) for value in values):
        return pa.array([None if value is None else json.dumps(value) for value in values], pa.string())
    if any(isinstance(value, float) for value in values):
        return pa.array([None if value is None else float(value) for value in values], pa.float64())
    return pa.array(values)
