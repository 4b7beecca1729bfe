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
    channels["additionalProperties"] = False
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
                model.__name__: {
                    "summary": (model.__doc__ or "").strip(),
                    "payload": {"$ref": f"./messages.schema.json#/$defs/{model.__name__}"},
                }
                for model in MODELS.values()
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
        "messages": {model.__name__: {"$ref": f"#/components/messages/{model.__name__}"}},
    }


def main() -> None:
    """Write the documents."""
    FOLDER.mkdir(exist_ok=True)
    for name, text in documents().items():
        (FOLDER / name).write_text(text)


if __name__ == "__main__":
    main()
