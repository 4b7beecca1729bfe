"""The published JSON Schema and AsyncAPI document are those of the models, and judge as the models do."""

import json

import jsonschema
import orjson
import pytest

from docs.wire_documents import FOLDER, asyncapi, documents, json_schema
from domain.channels import CHANNELS
from tests.support.telemetry import message


def schema_of(name: str) -> dict[str, object]:
    return {**json_schema(), "$ref": f"#/$defs/{name}"}


def test_the_files_are_current() -> None:
    for name, text in documents().items():
        assert (FOLDER / name).read_text() == text, "run: python -m docs.wire_documents"


def test_the_schema_is_a_schema_and_takes_our_messages() -> None:
    jsonschema.Draft202012Validator.check_schema(json_schema())
    for number, name in ((0, "SamplesMessage"), (9, "EventMessage")):
        jsonschema.validate(orjson.loads(message("crane-a", number)[1]), schema_of(name))


@pytest.mark.parametrize("channel", CHANNELS, ids=lambda channel: channel.name)
def test_the_schema_refuses_readings_out_of_range(channel) -> None:  # type: ignore[no-untyped-def]
    body = {"boot": 1, "seq": 1, "t0": "2026-03-02T06:00:00Z", "dt_ms": 100}
    jsonschema.validate(
        {**body, "channels": {channel.name: [channel.low, None, channel.high]}}, schema_of("SamplesMessage")
    )
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.validate(
            {**body, "channels": {channel.name: [channel.high + 1]}}, schema_of("SamplesMessage")
        )


def test_every_reference_of_the_asyncapi_document_leads_somewhere() -> None:
    document, schema = asyncapi(), json_schema()

    def references(node: object) -> list[str]:
        if isinstance(node, dict):
            own = [node["$ref"]] if "$ref" in node else []
            return own + [found for value in node.values() for found in references(value)]
        return [found for value in node for found in references(value)] if isinstance(node, list) else []

    found = references(json.loads(json.dumps(document)))
    assert len(found) >= 12
    for reference in found:
        file, _, path = reference.partition("#/")
        place: object = schema if file == "./messages.schema.json" else document
        for step in path.split("/"):
            assert isinstance(place, dict)
            place = place[step]
