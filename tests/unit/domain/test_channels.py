"""Channels are added at the end: files of the cold tier and the wire name them by their place."""

from domain.channels import CHANNEL_NAMES

RELEASED = (
    "utilisation_pct",
    "limit_pct",
    "slew_deg",
    "main_boom_deg",
    "knuckle_boom_deg",
    "extension_m",
    "jib_deg",
    "jib_extension_m",
    "outreach_m",
    "hook_height_m",
    "mode",
    "stabiliser_left_pct",
    "stabiliser_right_pct",
    "oil_temperature_degc",
    "controller_battery_pct",
    "radio_quality_pct",
    "operating_hours_h",
    "lift_counter",
)


def test_channels_keep_their_places() -> None:
    assert CHANNEL_NAMES[: len(RELEASED)] == RELEASED
