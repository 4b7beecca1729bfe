"""A crane in a fresh database."""

import pytest

from tests.integration.analytics.crane_at_work import Yard, put_crane


@pytest.fixture
def yard(database: str) -> Yard:
    """An invented crane in Vienna."""
    return put_crane(database)
