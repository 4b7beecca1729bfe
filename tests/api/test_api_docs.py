"""docs/api.md names every route with its least role, and no other; the description has an example of every body."""

import importlib
import json
import pkgutil
import re
from pathlib import Path

from pydantic import BaseModel

import domain
from api.app import create_api, least_roles
from api.body_examples import BY_SCHEMA

PAGE = Path(__file__).parents[2] / "docs" / "api.md"


def test_every_route_is_documented_with_its_role() -> None:
    written = dict(re.findall(r"^\| `([A-Z]+ /\S*)` \| (\w+) \|", PAGE.read_text(), re.MULTILINE))
    routes = {
        f"{method} {path}": str(least.role or "open") for (method, path), least in least_roles().items()
    }
    assert written == routes


def test_every_body_has_an_example_that_its_model_takes() -> None:
    spec = create_api("postgresql://nobody@127.0.0.1:9/none").state.describe()
    without = [
        f"{method} {path}"
        for path, operations in spec["paths"].items()
        for method, operation in operations.items()
        for form in operation.get("requestBody", {}).get("content", {}).values()
        if not form.get("examples")
    ]
    assert not without
    for module in pkgutil.iter_modules(domain.__path__, "domain."):
        importlib.import_module(module.name)
    models: dict[str, type[BaseModel]] = {}
    waiting: list[type[BaseModel]] = [BaseModel]
    while waiting:
        model = waiting.pop()
        waiting += model.__subclasses__()
        models[model.__name__] = model
    for name, example in BY_SCHEMA.items():
        models[name].model_validate_json(json.dumps(example))
