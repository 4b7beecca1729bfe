"""Pure computation on crane telemetry: arrays in, values out. No I/O, no logging, nothing of ours but domain.

docs/method.md tells every assumption, formula and limit; docs/nomenclature.md every name and unit.
"""


def warm_up() -> None:
    """Make the compiled counting loops ready: call it once at the start of a process that counts or merges.

    The first call on a machine compiles for some seconds and leaves the result in a cache beside the code, or in
    the user's cache folder where the code is read-only; later ones load it. After it no call into duty compiles.
    """
    from duty import (
        circumstances,
        kernels,
        levels,
        lift_cells,
        peaks,
        plausibility,
        runs,
    )  # here, so that geometry and capacity do not wait for the compiler's import

    kernels.warm_up()
    lift_cells.warm_up()
    runs.warm_up()
    peaks.warm_up()
    levels.tally(1, [0.0])
    circumstances.count([1], [0], [0.0])
    plausibility.warm_up()
