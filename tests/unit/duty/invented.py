"""An invented crane with round numbers, so that a test can be worked by hand."""

from datetime import UTC, date, datetime

from domain.crane import (
    Boom,
    ChartPoint,
    Crane,
    CraneType,
    Extension,
    Jib,
    LoadChart,
    Sector,
    Spread,
    Vehicle,
)

FULL_POINTS = ((2.0, 6000.0), (4.0, 4000.0), (6.0, 2500.0), (8.0, 1800.0), (10.0, 1300.0))
PART_POINTS = ((2.0, 4000.0), (4.0, 2500.0), (6.0, 1500.0), (8.0, 900.0))
JIB_POINTS = ((4.0, 1500.0), (8.0, 1000.0), (12.0, 600.0), (14.0, 400.0))

Points = tuple[tuple[float, float], ...]


def chart(
    points: Points = FULL_POINTS,
    left: Spread = Spread.FULL,
    right: Spread = Spread.FULL,
    *,
    sector: Sector | None = None,
    jib: bool = False,
    height_m: float | None = None,
) -> LoadChart:
    """One chart from (outreach, capacity) pairs."""
    return LoadChart(
        spread_left=left,
        spread_right=right,
        sector=sector,
        jib_fitted=jib,
        points=tuple(ChartPoint(outreach_m=r, capacity_kg=kg, hook_height_m=height_m) for r, kg in points),
    )


def chart_by_height(rows: dict[float, Points], **setup: Spread) -> LoadChart:
    """One chart with a row for each hook height."""
    points = tuple(
        ChartPoint(outreach_m=r, capacity_kg=kg, hook_height_m=height)
        for height, row in rows.items()
        for r, kg in row
    )
    return LoadChart(
        spread_left=setup.get("left", Spread.FULL),
        spread_right=setup.get("right", Spread.FULL),
        points=points,
    )


CHARTS = (
    chart(),
    chart(PART_POINTS, Spread.PART, Spread.PART),
    chart(JIB_POINTS, jib=True),
)

TYPE = CraneType(
    name="invented-12",
    title="Invented 12 t.m, for tests",
    pivot_offset_m=0.0,
    pivot_height_m=2.5,
    main_boom=Boom(length_m=4.0, mass_kg=500.0, lowest_deg=-60.0, highest_deg=80.0),
    knuckle_boom=Boom(length_m=3.0, mass_kg=300.0, lowest_deg=-90.0, highest_deg=80.0),
    extensions=(Extension(stroke_m=1.5, mass_kg=100.0), Extension(stroke_m=1.5, mass_kg=80.0)),
    jib=Jib(
        boom=Boom(length_m=2.5, mass_kg=120.0, lowest_deg=-90.0, highest_deg=80.0),
        extensions=(Extension(stroke_m=1.5, mass_kg=40.0),),
        rated_capacity_kg=1200.0,
    ),
    rated_moment_kn_m=200.0,
    vehicle=Vehicle(
        mass_kg=16_000.0,
        centre_of_mass_x_m=0.5,
        stabiliser_spread_full_m=3.0,
        stabiliser_spread_none_m=1.2,
        rear_support_x_m=-3.0,
        front_support_x_m=2.0,
        pad_area_m2=0.1,
    ),
    charts=CHARTS,
    invented=True,
)


def crane(name: str = "invented-a", crane_type: CraneType = TYPE) -> Crane:
    """A crane of a type."""
    return Crane(
        name=name,
        type=crane_type,
        site="invented-yard",
        registered_at=datetime(2025, 1, 1, tzinfo=UTC),
        commissioned_on=date(2024, 6, 1),
    )
