"""The published JSON Schema and AsyncAPI document are those of the models, and judge as the models do."""

import json
import zlib

import jsonschema
import orjson
import pytest
import zstandard

from docs.wire_documents import FOLDER, asyncapi, documents, json_schema
from domain.channels import CHANNELS
from ingest.content import CONTENT_ENCODING, Content, unpacked
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


def test_the_asyncapi_document_names_the_content_types_and_encodings_that_ingest_takes() -> None:
    document = asyncapi()
    for leaf in ("samples", "events", "status"):
        references = [one["$ref"] for one in document["channels"][leaf]["messages"].values()]
        messages = [document["components"]["messages"][one.rpartition("/")[2]] for one in references]
        assert [Content(one["contentType"]).is_cbor for one in messages] == [False, True]
        for one in messages:
            encodings = one["headers"]["properties"][CONTENT_ENCODING]["enum"]
            assert encodings == ["zstd", "deflate"]
            for encoding in encodings:
                packed = zstandard.compress(b"{}") if encoding == "zstd" else zlib.compress(b"{}")
                assert unpacked(packed, Content(encoding=encoding), 10) == b"{}"
    for leaf in ("committed", "notices"):
        assert len(document["channels"][leaf]["messages"]) == 1


@pytest.mark.parametrize(
    ("channels", "taken"),
    [
        ({"slew_deg": [1.0], "tail_lift_kg": [2.0, None]}, True),
        ({"slew_deg": [1.0], "tail_lift_kg": ["high"]}, False),
        ({"tail_lift_kg": [2.0]}, False),
        ({}, False),
    ],
)
def test_further_channels_stand_beside_a_known_one(channels: dict[str, object], taken: bool) -> None:
    body = {"boot": 1, "seq": 1, "t0": "2026-03-02T06:00:00Z", "dt_ms": 100, "channels": channels}
    found = jsonschema.Draft202012Validator(schema_of("SamplesMessage")).is_valid(body)
    assert found is taken
