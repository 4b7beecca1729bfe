"""An invented crane type with round numbers, so that expected values can be worked by hand."""

import pytest
from hypothesis import HealthCheck, settings

from domain.crane import Boom, CraneType, Extension, Jib, Vehicle

# how long an example takes is measured in benchmarks/, never judged here: a busy machine must not fail a test
settings.register_profile("untimed", deadline=None, suppress_health_check=[HealthCheck.too_slow])
settings.load_profile("untimed")


@pytest.fixture(scope="session")
def round_type() -> CraneType:
    return CraneType(
        name="round-numbers",
        title="Round Numbers",
        pivot_offset_m=0.5,
        pivot_height_m=2.5,
        main_boom=Boom(length_m=4.0, mass_kg=400.0, lowest_deg=-30.0, highest_deg=80.0),
        knuckle_boom=Boom(length_m=3.0, mass_kg=300.0, lowest_deg=-90.0, highest_deg=75.0),
        extensions=(Extension(stroke_m=2.0, mass_kg=120.0), Extension(stroke_m=1.0, mass_kg=80.0)),
        jib=Jib(
            boom=Boom(length_m=2.0, mass_kg=100.0, lowest_deg=-90.0, highest_deg=80.0),
            extensions=(Extension(stroke_m=1.5, mass_kg=50.0),),
            rated_capacity_kg=800.0,
        ),
        rated_moment_kn_m=180.0,
        vehicle=Vehicle(
            mass_kg=14_000.0,
            centre_of_mass_x_m=-1.0,
            stabiliser_spread_full_m=2.6,
            stabiliser_spread_none_m=1.2,
            rear_support_x_m=-4.0,
            front_support_x_m=1.5,
            pad_area_m2=0.1,
        ),
        invented=True,
    )
