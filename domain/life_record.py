"""Records that belong to a crane's life: inspections, findings, repairs, cracks, calibrations, changed details."""

from datetime import date
from enum import StrEnum
from typing import Annotated, Final, NamedTuple, Self

from pydantic import AwareDatetime, Field, StringConstraints, model_validator

from domain.answers import Answer
from domain.errors import InvalidInput, field_error
from domain.exclusion import ChannelName
from domain.moments import Day
from domain.remark import Remark

FILES_MAX: Final = 20  # of one record
FIRST_YEAR: Final = 1950
Text = StringConstraints(strip_whitespace=True, pattern=r"^[^\x00]*$")


class RecordKind(StrEnum):
    """What a record is about."""

    INSPECTION = "inspection"
    FINDING = "finding"
    REPAIR = "repair"
    CRACK = "crack"
    CALIBRATION = "calibration"
    CHANGED_DETAIL = "changed_detail"


DEFECTS: Final = frozenset({RecordKind.FINDING, RecordKind.CRACK})
CLOSERS: Final = frozenset({RecordKind.INSPECTION, RecordKind.REPAIR})
FIELDS: Final[dict[str, frozenset[RecordKind]]] = {
    "detail": frozenset(RecordKind) - {RecordKind.CALIBRATION, RecordKind.INSPECTION},
    "length_mm": frozenset({RecordKind.CRACK}),
    "channel": frozenset({RecordKind.CALIBRATION}),
    "found_error_pct": frozenset({RecordKind.CALIBRATION}),
    "left_error_pct": frozenset({RecordKind.CALIBRATION}),
    "found_in": DEFECTS,
    "closes": CLOSERS,
    "service_interval": CLOSERS,
}
"""Which kinds a field belongs to; those that are not named belong to every kind."""
NEEDED: Final[dict[RecordKind, tuple[str, ...]]] = {
    RecordKind.CRACK: ("detail",),
    RecordKind.CHANGED_DETAIL: ("detail",),
    RecordKind.CALIBRATION: ("channel", "left_error_pct"),
    RecordKind.FINDING: ("note",),
}


class Defect(NamedTuple):
    """A finding of an inspection or a crack as the rule of the special assessment needs it."""

    kind: RecordKind
    found_on: date
    closed_on: date | None  # day of the repair or inspection that closed it; None while it is open
    detail: str = ""
    length_mm: float | None = None
    note: str = ""


class Calibration(NamedTuple):
    """A calibration of the channel that the structural percent is made of."""

    day: date
    found_error_pct: float | None  # reading less truth, before it
    left_error_pct: float  # how far the reading may be off after it


class LifeRecordAsked(Answer, extra="forbid"):
    """A record to enter, or what a corrected one is to say."""

    kind: RecordKind
    happened_on: Day = Field(description="local day")
    person: Annotated[str, Text] = Field(
        min_length=1, max_length=120, description="who inspected, repaired, found or calibrated, with company"
    )
    note: Annotated[str, Text] = Field(
        default="", max_length=2000, description="what was done or found; a finding needs it"
    )
    detail: Annotated[str, Text] | None = Field(
        default=None,
        min_length=1,
        max_length=80,
        description="weld detail by the name under which it is entered, or a component or place in words; a crack and a"
        " changed detail need it. The damage of a weld detail of that name begins again with its change",
    )
    length_mm: float | None = Field(
        default=None, strict=True, gt=0, le=10_000, allow_inf_nan=False, description="of a crack, as found"
    )
    channel: ChannelName | None = Field(default=None, description="that was calibrated")
    found_error_pct: float | None = Field(
        default=None,
        strict=True,
        ge=-90,
        le=90,
        allow_inf_nan=False,
        description="error that a calibration found, reading less truth [% of the truth]",
    )
    left_error_pct: float | None = Field(
        default=None,
        strict=True,
        gt=0,
        le=50,
        allow_inf_nan=False,
        description="how far the reading may be off after it, the reference's own uncertainty included [%]",
    )
    found_in: int | None = Field(
        default=None, ge=1, le=2**31 - 1, description="record of the inspection that found it"
    )
    closes: tuple[Annotated[int, Field(ge=1, le=2**31 - 1)], ...] = Field(
        default=(),
        max_length=50,
        description="records of findings and cracks that this inspection or repair closes",
    )
    service_interval: Annotated[str, Text] | None = Field(
        default=None,
        min_length=1,
        max_length=80,
        description="service interval that begins anew with this inspection or repair",
    )

    @model_validator(mode="after")
    def _fits_its_kind(self) -> Self:
        if self.happened_on.year < FIRST_YEAR:
            raise field_error("happened_on", f"happened_on must not lie before {FIRST_YEAR}")
        for name, kinds in FIELDS.items():
            if getattr(self, name) not in (None, ()) and self.kind not in kinds:
                raise field_error(
                    name, f"{name} does not belong to a record of kind {self.kind}: leave it out"
                )
        for name in NEEDED.get(self.kind, ()):
            if getattr(self, name) in (None, ""):
                raise field_error(name, f"a record of kind {self.kind} needs {name}")
        return self


class LifeRecordCorrected(LifeRecordAsked):
    """What a record is to say from now on; what it said before is kept."""

    reason: Annotated[str, Text] = Field(
        min_length=3, max_length=500, description="why the record is corrected"
    )


class Effect(StrEnum):
    """What a record does to the figures."""

    NONE = "none"
    WITHDRAWN = "withdrawn"
    CALLS = "calls"  # the special assessment is due from its day on
    CALLS_UNTIL_ASSESSED = "calls_until_assessed"  # closed, and still due: no special assessment since
    CLOSED = "closed"  # calls for nothing any more
    INTERVAL = "interval"  # the service interval begins anew
    SUM_BEGINS = "sum_begins"  # the damage sum of the weld detail begins again
    SUM_OF_RECORD = "sum_of_record"  # changed before the record: the sum is that of the record anyway
    SUPERSEDED = "superseded"  # the same detail was changed later, or the channel calibrated
    NO_SUCH_DETAIL = "no_such_detail"  # no weld detail of that name applies
    BIAS = "bias"  # sets the assumed pressure bias
    OTHER_CHANNEL = "other_channel"  # no figure's range rests on it


class LifeRecordFileRow(Answer):
    """A file that is attached to a record."""

    file_id: int
    record_id: int
    name: str
    media_type: str
    size_bytes: int
    sha256: str
    attached_at: AwareDatetime
    attached_by: str


class LifeRecordVersionRow(Answer):
    """One version of a record: as entered, as corrected, or as withdrawn."""

    record_id: int
    version: int
    kind: RecordKind
    happened_on: date
    person: str
    note: str
    detail: str | None
    length_mm: float | None
    channel: str | None
    found_error_pct: float | None
    left_error_pct: float | None
    found_in: int | None
    closes: tuple[int, ...]
    service_interval: str | None
    withdrawn: bool
    reason: str = Field(description="why it was corrected or withdrawn; empty of the first version")
    entered_at: AwareDatetime
    entered_by: str


class LifeRecord(LifeRecordVersionRow):
    """A record as it stands."""

    crane: str
    closed_on: date | None = Field(
        description="of a finding or crack: day of the repair or inspection that closes it; None while it is open"
    )


class LifeRecordRow(LifeRecord):
    """A record as it stands, with its files and its effect on the figures."""

    effect: Effect
    effect_remarks: tuple[Remark, ...] = Field(description="the effect on the figures in words")
    files: tuple[LifeRecordFileRow, ...]


class LifeRecordAnswer(LifeRecordRow):
    """One record with every version of it, oldest first."""

    versions: tuple[LifeRecordVersionRow, ...]


FILE_BYTES_MAX: Final = 10_000_000
NAME_CHARS_MAX: Final = 120
STARTS: Final[dict[str, tuple[bytes, str]]] = {
    ".pdf": (b"%PDF-", "application/pdf"),
    ".png": (b"\x89PNG\r\n\x1a\n", "image/png"),
    ".jpg": (b"\xff\xd8\xff", "image/jpeg"),
    ".jpeg": (b"\xff\xd8\xff", "image/jpeg"),
}
TEXTS: Final = {".txt": "text/plain", ".csv": "text/csv"}
ALLOWED: Final = "PDF, PNG, JPEG, or plain text (.txt, .csv) in UTF-8"


def file_name(given: str) -> str:
    """What a file is called: the last part of a path, without what no name has. InvalidInput where nothing is left."""
    last = given.replace("\\", "/").rpartition("/")[2]
    name = "".join(sign for sign in last if sign.isprintable()).strip(" .")
    stem, dot, ending = name.rpartition(".")
    if not dot or not stem:
        raise InvalidInput(f"the file has no name with an ending: {ALLOWED}", field="file")
    return f"{stem[: NAME_CHARS_MAX - len(ending) - 1]}.{ending}"


def media_type_of(name: str, content: bytes) -> str:
    """The type of a file by its ending, when its bytes agree. Raises InvalidInput for any other file."""
    ending = "." + name.rpartition(".")[2].lower()
    if not content:
        raise InvalidInput("the file is empty", field="file")
    if ending in STARTS:
        start, media_type = STARTS[ending]
        if not content.startswith(start):
            raise InvalidInput(f"{name} does not hold what its ending says: {ALLOWED}", field="file")
        return media_type
    if ending not in TEXTS:
        raise InvalidInput(f"{name} is none of the files that a record takes: {ALLOWED}", field="file")
    try:
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError as problem:
        raise InvalidInput(f"{name} is no text in UTF-8: {ALLOWED}", field="file") from problem
    binary = any(content.startswith(start) for start, _ in STARTS.values())
    if binary or any(sign < " " and sign not in "\t\n\r\f" for sign in text):
        raise InvalidInput(f"{name} is no plain text: {ALLOWED}", field="file")
    return TEXTS[ending]
