"""What is said of a database that is not there: of each of its servers."""

from pathlib import Path

import pytest

from domain.errors import Unavailable
from store.connection import connect, first_line, state_of


def test_of_several_servers_each_is_said_and_the_state_is_that_of_the_one_that_answered(
    tmp_path: Path,
) -> None:
    with pytest.raises(Unavailable) as raised:
        connect(f"postgresql://me:hunter2@/db?host={tmp_path}/a,{tmp_path}/b", wait_s=2)
    said = str(raised.value)
    assert f"{tmp_path}/a" in said
    assert f"{tmp_path}/b" in said
    assert "hunter2" not in said
    assert state_of(raised.value) == "the database does not answer"
    full = "b refused\nMultiple connection attempts failed. All failures were:\n- host: 'a': too many clients\n- host: 'b': refused"
    assert first_line(RuntimeError(full)) == "host: 'a': too many clients; host: 'b': refused"
    assert "no connection left" in state_of(Unavailable(first_line(RuntimeError(full))))
    assert first_line(RuntimeError()) == "RuntimeError"
    both = "session is read-only; host: 'b': too many clients"
    assert "no connection left" in state_of(Unavailable(both)), (
        "what there is to mend, not that the other only follows"
    )
