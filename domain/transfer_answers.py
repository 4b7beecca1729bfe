"""What an import of a file came to."""

from pydantic import Field

from domain.answers import Answer


class ImportProblem(Answer):
    """Something that keeps lines of a file from being stored; said once of lines that follow one another."""

    first_line: int = Field(description="from 1, the header of a CSV included; of Parquet the row")
    last_line: int
    text: str


class ImportDone(Answer):
    """An import of one file, or with `dry_run` what it would come to."""

    stored: bool = Field(description="false after a dry run")
    rows: int = Field(description="rows of the file that could be used")
    empty_rows: int = Field(description="rows without a reading")
    new: int = Field(description="messages or events that were not there")
    known: int = Field(description="messages or events that were stored before, with the same contents")
    samples: int = Field(description="samples of the new messages")
    problem_count: int
    problems: tuple[ImportProblem, ...] = Field(description="by line, the first 1000")
