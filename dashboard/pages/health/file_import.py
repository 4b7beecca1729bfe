"""A part of Data health: a file with telemetry is looked at, and stored when somebody says so; what was stored before."""

from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any, Final
from zoneinfo import ZoneInfo

import dash_mantine_components as dmc
from anyio import to_thread
from dash import ALL, Dash, Input, Output, State, ctx, dcc, html, no_update
from dash.exceptions import PreventUpdate

from dashboard.client import Client
from dashboard.pages.health.import_answer import answer
from dashboard.parts import form, page
from dashboard.parts.form import content_of
from dashboard.visit import Trouble
from domain.answers import Page
from domain.errors import BoomledgerError, InvalidInput, NotFound
from domain.transfer_answers import ImportDone, ImportProgress, ImportRow, ImportRunning
from domain.units import BYTES_PER_MB
from words import numbers
from words.texts import t

MAY_ENTER: Final = ("engineer", "admin")
MOST_BYTES: Final = (
    15_000_000  # it travels as text in one request, a third longer; larger ones go through the api
)
TICK_MS: Final = 1000
EXAMPLES: Final = ("import-samples.toml", "import-events.toml")


def section(
    earlier: Page[ImportRow] | Trouble, running: ImportRunning | Trouble, zone: ZoneInfo
) -> html.Section:
    """The file to choose, how to read it, how far it is, what is in it, and the files before it."""
    return page.card(
        t("import.title"),
        dcc.Store(id="import-zone", data=str(zone)),
        form.named_upload(
            "import-file",
            ".csv,.parquet,text/csv",
            MOST_BYTES,
            name="import-name",
            problem="import-problem",
            too_large=t("import.too_large", name="{name}", size="{size}"),
        ),
        _mapping(),
        html.Button(t("import.look"), id="import-look", type="button", className="bl-button bl-button-tall"),
        _running(None if isinstance(running, Trouble) else running.running),
        html.P(id="import-problem", className="bl-form-problem", role="alert"),
        html.Div(id="import-answer", **{"aria-live": "polite"}),
        html.Div(_earlier(earlier, zone), id="import-list"),
        note=t("import.note", most=MOST_BYTES // BYTES_PER_MB),
        id="import",
    )


def _mapping() -> html.Details:
    return html.Details(
        [
            html.Summary(t("import.mapping")),
            page.note(t("import.mapping.text")),
            html.Div(
                [
                    form.upload(
                        "import-mapping-file", t("import.mapping.choose"), ".toml,text/plain", 100_000
                    ),
                    *(
                        html.A(
                            t(f"import.example.{name.partition('.')[0].rpartition('-')[2]}"),
                            href=f"/assets/{name}",
                            download=name,
                            className="bl-link",
                        )
                        for name in EXAMPLES
                    ),
                ],
                className="bl-inline bl-upload",
            ),
            dmc.Textarea(
                id="import-mapping",
                label=t("import.mapping.label"),
                description=t("import.mapping.note"),
                value="",
                minRows=6,
                maxRows=24,
                autosize=True,
                debounce=True,
                size="sm",
            ),
        ],
        className="bl-fold bl-chart-form",
        id="import-how",
    )


def _running(now: ImportProgress | None) -> html.Div:
    """How far a file is, and the way to end it; shown while there is one, also one that began before the page was opened."""
    return html.Div(
        [
            dcc.Interval(id="import-tick", interval=TICK_MS, disabled=now is None),
            html.P(how_far(now), id="import-progress", role="status"),
            html.Button(
                t("import.cancel"),
                id="import-cancel",
                type="button",
                className="bl-button bl-button-quiet bl-button-tall",
            ),
        ],
        id="import-running",
        hidden=now is None,
    )


def how_far(now: ImportProgress | None) -> str:
    """How far an import is, in words; none is under way: nothing."""
    return "" if now is None else t(f"import.phase.{now.phase}", rows=numbers.plain(now.rows))


def _earlier(earlier: Page[ImportRow] | Trouble, zone: ZoneInfo) -> list[Any]:
    title = html.H3(t("import.earlier"))
    if isinstance(earlier, Trouble):
        return [title, html.P(earlier.text, className="bl-partial")]
    if not earlier.items:
        return [title, page.nothing(t("import.earlier.none"))]
    lines = [
        html.Li(
            html.Div(
                [
                    html.Strong(row.file or t("import.unnamed")),
                    html.Br(),
                    t(
                        "import.earlier.line",
                        when=numbers.moment(row.at, zone),
                        who=row.account,
                        rows=numbers.plain(row.rows),
                        cranes=t("import.cranes", count=row.cranes),
                        new=numbers.plain(row.new),
                        known=numbers.plain(row.known),
                    ),
                    t("import.earlier.left_out", count=row.problem_count) if row.problem_count else "",
                ]
            )
        )
        for row in earlier.items
    ]
    return [title, html.Ul(lines, className="bl-entries")]


async def bring(
    client: Client, contents: str | None, name: str, mapping: str, *, dry_run: bool, skip_bad: bool
) -> ImportDone:
    """Hand a chosen file to the api."""
    content = content_of(contents)
    with TemporaryDirectory(prefix="boomledger-screen-") as folder:
        file = Path(folder) / (Path(name).name or "file")
        await to_thread.run_sync(file.write_bytes, content)
        return await client.import_file(
            file, mapping=mapping.strip() or None, dry_run=dry_run, skip_bad=skip_bad
        )


def register(app: Dash, client: Client) -> None:
    """A chosen file is named; the buttons look at it or store it."""

    @app.callback(
        Output("import-name", "children"),
        Output("import-answer", "children", allow_duplicate=True),
        Output("import-problem", "children", allow_duplicate=True),
        Input("import-file", "filename"),
        Input("import-file", "last_modified"),
        Input("import-mapping", "value"),
        prevent_initial_call=True,
    )
    async def chosen(name: str | None, _modified: float | None, _mapping: str | None) -> tuple[Any, ...]:
        return name or t("import.no_file"), None, "" if name else no_update

    @app.callback(
        Output("import-mapping", "value"),
        Input("import-mapping-file", "contents"),
        prevent_initial_call=True,
    )
    async def mapping_chosen(contents: str | None) -> Any:
        try:
            return content_of(contents).decode("utf-8-sig")
        except (InvalidInput, UnicodeDecodeError) as problem:
            raise PreventUpdate from problem

    @app.callback(
        Output("import-progress", "children"),
        Input("import-tick", "n_intervals"),
        prevent_initial_call=True,
    )
    async def tick(_times: int | None) -> str:
        return how_far((await client.running_import()).running)

    @app.callback(
        Output("import-progress", "children", allow_duplicate=True),
        Input("import-cancel", "n_clicks"),
        prevent_initial_call=True,
    )
    async def cancel(clicks: int | None) -> str:
        if not clicks:
            raise PreventUpdate
        try:
            await client.cancel_import()
        except NotFound:  # it ended meanwhile, and its answer says so
            return ""
        return t("import.cancelled")

    @app.callback(
        Output("import-answer", "children"),
        Output("import-problem", "children"),
        Output("import-mapping", "error"),
        Output("import-how", "open"),
        Output("import-list", "children"),
        Input("import-look", "n_clicks"),
        Input({"type": "import-store", "how": ALL}, "n_clicks"),
        State("import-file", "contents"),
        State("import-file", "filename"),
        State("import-mapping", "value"),
        State("import-zone", "data"),
        running=[
            (Output("import-look", "disabled"), True, False),
            (Output("import-look", "children"), t("import.busy"), t("import.look")),
            (Output("import-running", "hidden"), False, True),
            (Output("import-tick", "disabled"), False, True),
        ],
        prevent_initial_call=True,
    )
    async def go(
        looks: int | None,
        stores: list[int | None],
        contents: str | None,
        name: str | None,
        mapping: str | None,
        zone: str,
    ) -> tuple[Any, ...]:
        pressed = ctx.triggered_id
        if not (looks if pressed == "import-look" else any(stores)):
            raise PreventUpdate  # the buttons have just come
        how = None if pressed == "import-look" else pressed["how"]
        try:
            done = await bring(
                client,
                contents,
                name or "",
                mapping or "",
                dry_run=how is None,
                skip_bad=how == "good",
            )
            earlier = no_update if how is None else _earlier(await client.imports(), ZoneInfo(zone))
        except InvalidInput as problem:
            if problem.field == "mapping":
                return None, t("import.mapping.mend"), str(problem), True, no_update
            return None, str(problem), None, no_update, no_update
        except BoomledgerError as problem:
            return None, str(problem), None, no_update, no_update
        return answer(done, name or "", ZoneInfo(zone)), "", None, no_update, earlier
