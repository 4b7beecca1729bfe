"""Cranes as JSON files: what `boomledger crane add` reads."""

from pathlib import Path

from pydantic import ValidationError

from domain.errors import InvalidInput
from domain.registration import CraneRegistration, field_path


def read_crane_file(file: Path) -> CraneRegistration:
    """The crane of a file, with its site. Raises InvalidInput that names every wrong field."""
    try:
        return CraneRegistration.model_validate_json(file.read_bytes())
    except ValidationError as wrong:
        lines = [f"{field_path(problem['loc']) or 'file'}: {problem['msg']}" for problem in wrong.errors()]
        raise InvalidInput(f"{file} cannot be used:\n" + "\n".join(lines)) from wrong
