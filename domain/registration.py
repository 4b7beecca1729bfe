"""What it takes to register a crane: the same JSON for the command line and the api, and what a GET of a crane answers."""

from collections.abc import Iterable
from datetime import UTC, date, datetime
from typing import Annotated, Any, Final, Self

from pydantic import (
    BaseModel,
    ConfigDict,
    Discriminator,
    Field,
    StrictBool,
    Tag,
    model_validator,
)

from domain.answers import Answer, CraneDetail
from domain.crane import Crane, CraneType, Site
from domain.exclusion import CountedAgain
from domain.messages import CraneName
from domain.moments import Day, Instant

_NAMED: Final = "named"
_DESCRIBED: Final = "described"


def _form_of_type(given: Any) -> str:
    return _NAMED if isinstance(given, str) else _DESCRIBED


TypeAsked = Annotated[
    Annotated[CraneName, Tag(_NAMED)] | Annotated[CraneType, Tag(_DESCRIBED)], Discriminator(_form_of_type)
]


def field_path(place: Iterable[str | int]) -> str:
    """Where a validation error stands, as its sender wrote it: `crane.type.rated_moment_kn_m`."""
    return ".".join(str(part) for part in place if part not in (_NAMED, _DESCRIBED))


class CraneAsked(Crane):
    """A crane to be registered: its type may be named where it is on file, and `registered_at` left out."""

    type: TypeAsked = Field(  # type: ignore[assignment]
        description="name of a type that is on file, or all of its figures as its manual gives them"
    )
    registered_at: Instant | None = Field(  # type: ignore[assignment]
        default=None,
        description="data from before it is refused; left out: as it is on file, for a new crane now",
    )

    @property
    def type_name(self) -> str:
        """Name of its type, named or described."""
        return self.type if isinstance(self.type, str) else self.type.name

    def crane(self, crane_type: CraneType, registered_at: datetime) -> Crane:
        """The crane with what was left out."""
        given = {name: getattr(self, name) for name in Crane.model_fields}
        return Crane.model_validate({**given, "type": crane_type, "registered_at": registered_at})


class CraneRegistration(BaseModel):
    """A crane with its site: described, or left out where the site that `crane.site` names is on file."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    site: Site | None = Field(default=None, description="left out: the site that crane.site names is on file")
    crane: CraneAsked
    valid_from: Day | None = Field(
        default=None,
        description="first local day on which a changed type holds for the crane; left out: today. Days before are "
        "counted with what was valid then",
    )
    correct_past: StrictBool = Field(
        default=False,
        description="the description that holds on that day was wrong from its own first day: correct it, and count its "
        "days again",
    )

    @model_validator(mode="after")
    def _one_site(self) -> Self:
        if self.site is not None and self.crane.site != self.site.name:
            raise ValueError(
                f"crane.site is {self.crane.site!r} and the site is named {self.site.name!r}: let them agree"
            )
        return self


class CraneChanged(CraneDetail):
    """A crane as it is entered now, and which of its days are counted again for another description."""

    counted_again: CountedAgain


class CraneTypeRow(Answer):
    """One crane type on file."""

    name: str
    title: str
    rated_moment_kn_m: float
    extensions: int
    jib: bool
    charts: int = Field(description="load charts of its entry")
    cranes: int = Field(description="cranes of this type that you may see")
    invented: bool


EXAMPLE: dict[str, Any] = {
    "crane": {
        "name": "heron-4",
        "title": "Heron 4 (invented)",
        "type": "heron-120",
        "site": "north-yard",
        "registered_at": datetime(2026, 3, 1, tzinfo=UTC).isoformat(),
        "commissioned_on": date(2021, 6, 1).isoformat(),
        "design": {"edition": "EN 13001-1", "u_class": "U4", "q_class": "Q2"},
        "prior_duty": {
            "lifts": 30000,
            "kq": 0.1,
            "f1": 1.2,
            "years": 4.5,
            "source": "owner's estimate (invented)",
        },
    }
}
