"""What an import of a file came to."""

from typing import Literal

from pydantic import AwareDatetime, Field

from domain.answers import Answer


class ImportProblem(Answer):
    """Something that keeps lines of a file, or a reading of them, from being stored; said once of lines that follow one another."""

    first_line: int = Field(description="from 1, the header of a CSV included; of Parquet the row")
    last_line: int
    text: str


class ImportCrane(Answer):
    """What a file holds of one crane."""

    crane: str
    rows: int = Field(description="rows that could be used")
    first_at: AwareDatetime
    last_at: AwareDatetime


class ImportDone(Answer):
    """An import of one file, or with `dry_run` what it would come to."""

    stored: bool = Field(description="false after a dry run")
    rows: int = Field(description="rows of the file that could be used")
    empty_rows: int = Field(description="rows without a reading")
    new: int = Field(description="messages or events that were not there")
    known: int = Field(description="messages or events that were stored before, with the same contents")
    samples: int = Field(description="samples of the new messages")
    cranes: tuple[ImportCrane, ...] = Field(
        description="by name: of which crane the file has rows, and of when"
    )
    problem_count: int
    problems: tuple[ImportProblem, ...] = Field(description="by line, the first 1000")
    refused_count: int = Field(
        default=0, description="readings out of their channel's range: their lines are stored without them"
    )
    refused: tuple[ImportProblem, ...] = Field(
        default=(), description="the same by line, said once of lines that follow one another; the first 1000"
    )


class ImportRow(Answer):
    """A file that was stored."""

    import_id: int
    at: AwareDatetime
    account: str
    file: str = Field(description="its name as it was sent; empty where it came without")
    cranes: int = Field(description="of how many cranes it had rows")
    rows: int
    new: int
    known: int
    samples: int
    problem_count: int = Field(
        description="lines that were left out, said once of lines that follow one another"
    )


ImportPhase = Literal["receiving", "waiting", "checking", "storing"]


class ImportProgress(Answer):
    """How far an import is."""

    started_at: AwareDatetime
    file: str = Field(description="its name as it was sent; empty where it came without")
    dry_run: bool
    phase: ImportPhase = Field(
        description="receiving: the file comes; waiting: for the files of other accounts; checking: it is read and"
        " nothing is stored; storing"
    )
    rows: int = Field(description="rows read in this phase")


class ImportRunning(Answer):
    """The import of the caller's account that is under way."""

    running: ImportProgress | None = Field(description="none: no import is under way")
