"""docs/nomenclature.md holds every channel with the unit and range of the code."""

from pathlib import Path

import pytest

from domain.channels import CHANNELS, Channel

TEXT = (Path(__file__).parents[2] / "docs" / "nomenclature.md").read_text()


@pytest.mark.parametrize("channel", CHANNELS, ids=lambda channel: channel.name)
def test_channel_stands_in_the_dictionary(channel: Channel) -> None:
    assert f"| `{channel.name}` | {channel.unit} | {channel.low:g} to {channel.high:g} |" in TEXT
