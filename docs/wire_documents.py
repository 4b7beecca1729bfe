"""The wire format as documents for machines, generated from the pydantic models: JSON Schema and AsyncAPI 3.0.

`python -m docs.wire_documents` writes them to docs/wire/; a test compares what stands there with the models.
"""

import json
from pathlib import Path
from typing import Any, Final

from pydantic import BaseModel
from pydantic.json_schema import models_json_schema

from domain.channels import CHANNELS
from domain.messages import (
    CRANE_NAME_PATTERN,
    TOPIC_ROOT,
    EventMessage,
    Leaf,
    NoticeMessage,
    ReceiptMessage,
    SamplesMessage,
    StatusMessage,
)

FOLDER: Final = Path(__file__).parent / "wire"
MODELS: Final[dict[Leaf, type[BaseModel]]] = {
    Leaf.SAMPLES: SamplesMessage,
    Leaf.EVENTS: EventMessage,
    Leaf.STATUS: StatusMessage,
    Leaf.COMMITTED: ReceiptMessage,
    Leaf.NOTICES: NoticeMessage,
}
_TO_CRANES: Final = {Leaf.COMMITTED, Leaf.NOTICES}
# Compression is a user property of MQTT 5; AsyncAPI calls such properties headers.
_HEADERS: Final = {
    "type": "object",
    "properties": {
        "content-encoding": {
            "type": "string",
            "enum": ["zstd", "deflate"],
            "description": "how the payload is compressed; absent where it is not",
        }
    },
}
_DIRECTIONS: Final = {leaf: "send" if leaf in _TO_CRANES else "receive" for leaf in Leaf}


def json_schema() -> dict[str, Any]:
    """One JSON Schema (draft 2020-12) with every message under $defs."""
    _, schema = models_json_schema(
        [(model, "validation") for model in MODELS.values()], title="Boomledger wire format 1"
    )
    definitions = schema["$defs"]
    channels = definitions["SamplesMessage"]["properties"]["channels"]
    readings = channels.pop("additionalProperties")
    # The model checks the names in code; the schema can name them, each with its unit and range.
    channels["properties"] = {
        channel.name: {
            **readings,
            "description": f"{channel.meaning} [{channel.unit}]",
            "items": {
                "anyOf": [
                    {"type": "number", "minimum": channel.low, "maximum": channel.high},
                    {"type": "null"},
                ]
            },
        }
        for channel in CHANNELS
    }
    channels["additionalProperties"] = {
        **readings,
        "description": "a further channel, where an engineer has registered it for the crane; else it is left out and told",
    }
    channels["anyOf"] = [{"required": [channel.name]} for channel in CHANNELS]
    return {"$schema": "https://json-schema.org/draft/2020-12/schema", **schema}


def asyncapi() -> dict[str, Any]:
    """An AsyncAPI 3.0 document of the topics and their messages, seen from the ledger."""
    return {
        "asyncapi": "3.0.0",
        "info": {
            "title": "Boomledger wire format",
            "version": "1",
            "description": "Telemetry of loader cranes over MQTT 5, QoS 1. docs/wire.md says how to behave.",
        },
        "defaultContentType": "application/json",
        "channels": {leaf.value: _channel(leaf, model) for leaf, model in MODELS.items()},
        "operations": {
            f"{_DIRECTIONS[leaf]}_{leaf.value}": {
                "action": _DIRECTIONS[leaf],
                "channel": {"$ref": f"#/channels/{leaf.value}"},
                "bindings": {"mqtt": {"qos": 1, "retain": leaf is Leaf.STATUS, "bindingVersion": "0.2.0"}},
            }
            for leaf in MODELS
        },
        "components": {
            "messages": {
                name: message
                for leaf, model in MODELS.items()
                for name, message in _messages(leaf, model).items()
            }
        },
    }


def documents() -> dict[str, str]:
    """File name to contents."""
    return {
        "messages.schema.json": json.dumps(json_schema(), indent=2) + "\n",
        "asyncapi.json": json.dumps(asyncapi(), indent=2) + "\n",
    }


def _channel(leaf: Leaf, model: type[BaseModel]) -> dict[str, Any]:
    return {
        "address": f"{TOPIC_ROOT}/{{crane}}/{leaf}",
        "parameters": {"crane": {"description": f"name of the crane, {CRANE_NAME_PATTERN}"}},
        "messages": {name: {"$ref": f"#/components/messages/{name}"} for name in _messages(leaf, model)},
    }


def _messages(leaf: Leaf, model: type[BaseModel]) -> dict[str, dict[str, Any]]:
    """The ways of writing the messages of a topic, by name: what the ledger sends is plain JSON."""
    name = model.__name__
    summary = (model.__doc__ or "").strip()
    payload = {"$ref": f"./messages.schema.json#/$defs/{name}"}
    if leaf in _TO_CRANES:
        return {name: {"summary": summary, "payload": payload}}
    as_cbor: dict[str, Any] = {"summary": summary, "contentType": "application/cbor", "headers": _HEADERS}
    if leaf is Leaf.SAMPLES:
        as_cbor["description"] = (
            "Typed arrays and blocks have no JSON Schema: their CDDL stands in docs/wire.md under Thin links,"
            " and cbor_examples.json lists messages to check a sender against."
        )
    else:
        as_cbor["payload"] = payload
    as_json = {
        "summary": summary,
        "contentType": "application/json",
        "headers": _HEADERS,
        "payload": payload,
    }
    return {name: as_json, f"{name}Cbor": as_cbor}


def main() -> None:
    """Write the documents."""
    FOLDER.mkdir(exist_ok=True)
    for name, text in documents().items():
        (FOLDER / name).write_text(text)


if __name__ == "__main__":
    main()
