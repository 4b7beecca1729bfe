"""Forms: fields with their problems beside them, one callback for all, and per form what becomes of its values.

A page makes a form with `form(...)` and says with `@handles(name)` what happens when it is sent. A handler asks the
api with the rights of the person at the browser; what it refuses stands beside the field that it names.
"""

import base64
import binascii
from collections.abc import Awaitable, Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any, Final, TypeVar

import dash_mantine_components as dmc
from dash import ALL, MATCH, Dash, Input, Output, State, ctx, dcc, html, set_props
from pydantic import BaseModel, ValidationError

from dashboard.client import Client, NotAllowed
from domain.errors import BoomledgerError, InvalidInput, field_of
from domain.units import BYTES_PER_MB
from words.texts import t

Model = TypeVar("Model", bound=BaseModel)
Values = Mapping[str, Any]


@dataclass(frozen=True, kw_only=True)
class Done:
    """What a form did: words for the person, and whether the page is drawn again to show it."""

    said: Any
    redraw: bool = True
    go_to: str | None = None


class Unreadable(BoomledgerError):
    """Values that cannot be: what is wrong by field."""

    def __init__(self, problems: Mapping[str, str]) -> None:
        super().__init__("; ".join(problems.values()))
        self.problems = dict(problems)


Handler = Callable[[Client, Values, Values], Awaitable[Done]]
HANDLERS: Final[dict[str, Handler]] = {}


def handles(name: str) -> Callable[[Handler], Handler]:
    """Registers what happens when forms of this name are sent: (client, values, context) to Done."""

    def register_handler(handler: Handler) -> Handler:
        HANDLERS[name] = handler
        return handler

    return register_handler


def content_of(contents: str | None) -> bytes:
    """The bytes of a chosen file. InvalidInput where none was chosen or it did not come whole."""
    if not contents:
        raise InvalidInput(t("import.needed"), field="file")
    try:
        return base64.b64decode(contents.split(",", 1)[1], validate=True)
    except (IndexError, binascii.Error) as problem:
        raise InvalidInput(t("import.broken"), field="file") from problem


def read(model: type[Model], values: Values) -> Model:
    """The values as a model; blank fields are left out. Unreadable says what is wrong by field."""
    given = {name: value for name, value in values.items() if value not in (None, "", [])}
    try:
        return model.model_validate(given)
    except ValidationError as problem:
        found: dict[str, str] = {}
        for error in problem.errors():
            words = str(error["msg"]).removeprefix("Value error, ")
            place = [str(part) for part in field_of(error)]
            field = next((part for part in place if part in values), place[0] if place else "")
            found.setdefault(field, t("form.needed") if error["type"] == "missing" else words)
        raise Unreadable(found) from problem


def form(
    name: str,
    fields: Sequence[Any],
    submit: str,
    *,
    key: str = "",
    context: Values | None = None,
    quiet: bool = False,
    label: str = "",
) -> html.Div:
    """A form. fields: what `text`, `number` and `choose` make for this name and key."""
    place = _place(name, key)
    return html.Div(
        [
            dcc.Store(id={"type": "context", "form": place}, data=dict(context or {})),
            html.Div(list(fields), className="bl-form-fields"),
            html.Button(
                submit,
                id={"type": "submit", "form": place},
                type="button",
                className="bl-button bl-button-quiet" if quiet else "bl-button",
                **({"aria-label": label} if label else {}),
            ),
            html.P(id={"type": "said", "form": place}, className="bl-form-problem", role="alert"),
        ],
        className="bl-form",
    )


def sure(name: str, word: str, question: str, *, key: str, context: Values) -> html.Details:
    """A step that cannot be taken back: it opens, says what it does, and wants a second press."""
    return html.Details(
        [
            html.Summary(word, **{"aria-label": f"{word}: {key}"}),
            html.P(question),
            form(name, (), word, key=key, context=context, label=f"{word}: {key}"),
        ],
        className="bl-sure",
    )


def text(
    name: str, field: str, value: Any = "", *, key: str = "", note: str | None = None, **more: Any
) -> Any:
    """A line of text; `lines` more than one makes it tall, `secret` hides it."""
    lines, secret = more.pop("lines", 1), more.pop("secret", False)
    kind = dmc.PasswordInput if secret else dmc.Textarea if lines > 1 else dmc.TextInput
    if lines > 1:
        more |= {"minRows": lines, "autosize": True, "maxRows": 24}
    return kind(**_common(name, field, key, note), value="" if value is None else value, **more)


def number(
    name: str,
    field: str,
    value: Any = None,
    *,
    key: str = "",
    note: str | None = None,
    caption: str | None = None,
    **more: Any,
) -> Any:
    """A number as it is typed. caption: its label, where several fields share one text."""
    common = _common(name, field, key, note, caption)
    return dmc.NumberInput(**common, value="" if value is None else value, **more)


def choose(
    name: str,
    field: str,
    value: Any,
    options: Sequence[tuple[str, str]],
    *,
    key: str = "",
    note: str | None = None,
    **more: Any,
) -> Any:
    """One of several words."""
    data = [{"value": one, "label": word} for one, word in options]
    return dmc.Select(
        **_common(name, field, key, note),
        value=value,
        data=data,
        allowDeselect=False,
        checkIconPosition="right",
        **more,
    )


def yes_no(name: str, field: str, value: bool, *, key: str = "", note: str | None = None) -> Any:
    """Yes or no."""
    options = [("yes", t("form.yes")), ("no", t("form.no"))]
    return choose(name, field, "yes" if value else "no", options, key=key, note=note)


def upload(field: str, words: str, accept: str, most_bytes: int) -> dcc.Upload:
    """A button that takes one file of so many bytes at most."""
    button = html.Span(words, className="bl-button bl-button-quiet bl-button-tall")
    return dcc.Upload(button, id=field, accept=accept, max_size=most_bytes)


def named_upload(
    field: str, accept: str, most_bytes: int, *, name: str, problem: str, too_large: str
) -> html.Div:
    """The same with the name of the file in the part `name`; one that is too large is told in the part `problem`."""
    return html.Div(
        [
            upload(field, t("import.choose"), accept, most_bytes),
            html.Span(t("import.no_file"), id=name, role="status"),
        ],
        className="bl-inline bl-upload",
        **{
            "data-most-bytes": str(most_bytes),
            "data-bytes-per-mb": str(BYTES_PER_MB),
            "data-too-large": too_large,
            "data-field": field,
            "data-problem": problem,
        },
    )


def _common(name: str, field: str, key: str, note: str | None, caption: str | None = None) -> dict[str, Any]:
    return {
        "id": {"type": "field", "form": _place(name, key), "name": field},
        "label": caption or t(f"form.{name}.{field}"),
        "description": note,
        "size": "sm",
    }


def _place(name: str, key: str) -> str:
    return f"{name}|{key}"


async def send(client: Client, name: str, values: Values, context: Values) -> Done | Unreadable:
    """What a form does with its values; whatever is refused comes back as what is wrong by field."""
    try:
        return await HANDLERS[name](client, values, context)
    except Unreadable as problem:
        return problem
    except InvalidInput as problem:
        return Unreadable(by_field(problem, values))
    except (NotAllowed, BoomledgerError) as problem:
        return Unreadable({"": str(problem)})


def by_field(problem: InvalidInput, values: Values) -> dict[str, str]:
    """What the api refuses, by field of a form; under the empty name what belongs to none of them."""
    found: dict[str, list[str]] = {}
    for place, words in problem.by_field.items():
        field = next((part for part in place.split(".") if part in values), "")
        several = place and not field and len(problem.by_field) > 1
        found.setdefault(field, []).append(f"{place}: {words}" if several else words)
    return {field: "; ".join(words) for field, words in found.items()}


def register(app: Dash, client: Client) -> None:
    """The one callback behind every form."""

    @app.callback(
        Output({"type": "said", "form": MATCH}, "children"),
        Output({"type": "field", "form": MATCH, "name": ALL}, "error"),
        Input({"type": "submit", "form": MATCH}, "n_clicks"),
        State({"type": "field", "form": MATCH, "name": ALL}, "value"),
        State({"type": "context", "form": MATCH}, "data"),
        prevent_initial_call=True,
    )
    async def submit(clicks: int | None, given: list[Any], context: dict[str, Any]) -> tuple[Any, list[Any]]:
        names = [one["id"]["name"] for one in ctx.states_list[0]]
        if not clicks:
            return "", [None] * len(names)
        name = str(ctx.triggered_id["form"]).split("|", 1)[0]
        outcome = await send(client, name, dict(zip(names, given, strict=True)), context or {})
        if isinstance(outcome, Unreadable):
            rest = outcome.problems.get("", "") or t("form.mend")
            return rest, [outcome.problems.get(field) for field in names]
        if outcome.go_to is not None:
            path, _, search = outcome.go_to.partition("?")
            set_props("url", {"pathname": path, "search": f"?{search}" if search else ""})
        if outcome.redraw:
            set_props("notice", {"children": outcome.said})
            set_props("redraw", {"data": datetime.now(UTC).isoformat()})
            return "", [None] * len(names)
        return html.Div(outcome.said, className="bl-form-said"), [None] * len(names)
