"""Cranes as JSON files: what `boomledger crane add` reads."""

from pathlib import Path

from pydantic import BaseModel, ConfigDict, ValidationError

from domain.crane import Crane, Site
from domain.errors import InvalidInput


class CraneFile(BaseModel):
    """A site and one crane of it."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    site: Site
    crane: Crane


def read_crane_file(file: Path) -> tuple[Site, Crane]:
    """The site and the crane of a file. Raises InvalidInput that names every wrong field."""
    try:
        content = CraneFile.model_validate_json(file.read_bytes())
    except ValidationError as wrong:
        lines = [
            f"{'.'.join(map(str, problem['loc'])) or 'file'}: {problem['msg']}" for problem in wrong.errors()
        ]
        raise InvalidInput(f"{file} cannot be used:\n" + "\n".join(lines)) from wrong
    if content.crane.site != content.site.name:
        raise InvalidInput(
            f"{file}: crane.site is {content.crane.site!r}, the site is named {content.site.name!r}"
        )
    return content.site, content.crane
