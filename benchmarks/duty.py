"""How fast cycles are counted, beside the libraries that an engineer would otherwise take.

    python benchmarks/duty.py            a table
    python benchmarks/duty.py --json     the table, and one line of JSON at the end

Processor time of one thread, medians, contestants taking turns so that a busy machine slows all of them alike.
The signals are made here from a fixed seed: `crane`, lifts with sway and the noise of a pressure sensor that sends
tenths of a percent; `quiet`, the same without noise; `walk`, a random walk over all classes.

`vs_pylife` sets our count from floats to a finished ledger against the turning points and cycles of pylife on a
signal that was put into the same classes beforehand: the classing and the histogram, which it would still need, are
not charged to it. `vs_pylife_whole` charges them. `rainflow` counts the signal as it is, ranges in bins of a class.
"""

# ruff: noqa: E402
import argparse
import json
import statistics
import sys
import time
import warnings
from collections.abc import Callable
from pathlib import Path

sys.path[0] = str(Path(__file__).resolve().parents[1])  # else `import duty` would find this file

import numpy as np
import pylife.stress.rainflow as pylife
import rainflow
from numpy.typing import NDArray

import duty
from duty import directions, float_cycles, ledger
from duty.edges import DEFAULT_EDGES

SAMPLES = 1_000_000
RAINFLOW_SAMPLES = 100_000  # of the same signal, scaled up: at full length it alone would take a minute
DAYS = 3650
SAMPLES_A_DAY = 36_000  # one hour under load at 10 samples a second

Signal = NDArray[np.float64]


def crane_signal(samples: int, noise_pct: float, seed: int = 1) -> Signal:
    """Structural percent of lift after lift: pick up, swing, set down, wait."""
    rng = np.random.default_rng(seed)
    lifts, made = [], 0
    while made < samples:
        rest_pct, peak_pct = rng.uniform(8, 20), rng.uniform(30, 95)
        rise, hold, fall, wait = rng.integers([15, 50, 15, 200], [40, 400, 50, 1200])
        after = np.arange(hold)
        sway_pct = 8.0 * np.exp(-after / 60.0) * np.sin(0.4 * after)
        lifts.append(
            np.concatenate(
                (
                    np.linspace(rest_pct, peak_pct, rise),
                    peak_pct + sway_pct,
                    np.linspace(peak_pct, rest_pct, fall),
                    np.full(wait, rest_pct),
                )
            )
        )
        made += lifts[-1].size
    true_pct = np.concatenate(lifts)[:samples]
    return np.round(true_pct + rng.normal(0.0, noise_pct, samples), 1) if noise_pct else true_pct


def random_walk(samples: int, seed: int = 2) -> Signal:
    """A random walk, stretched over the equal classes from 0 up."""
    walk = np.cumsum(np.random.default_rng(seed).normal(size=samples))
    return (walk - walk.min()) / np.ptp(walk) * np.nextafter(DEFAULT_EDGES.high_pct, 0.0)


def classed(signal: Signal) -> Signal:
    """Class of each sample, by numpy; the signals stay inside the equal classes."""
    return np.floor((signal - DEFAULT_EDGES.low_pct) / DEFAULT_EDGES.width_pct)


def pylife_cycles(signal: Signal) -> pylife.FullRecorder:
    recorder = pylife.FullRecorder()
    pylife.FourPointDetector(recorder=recorder).process(signal)
    return recorder


def pylife_whole(signal: Signal) -> NDArray[np.float64]:
    found = pylife_cycles(classed(signal))
    codes = np.minimum(found.values_from, found.values_to) * DEFAULT_EDGES.classes
    codes += np.maximum(found.values_from, found.values_to)
    return np.bincount(codes.astype(np.int64), minlength=DEFAULT_EDGES.classes**2)


def medians_ms(contestants: dict[str, Callable[[], object]], rounds: int) -> dict[str, float]:
    """Median processor time of each [ms]. In each round every contestant runs three times, then the next one."""
    times: dict[str, list[float]] = {name: [] for name in contestants}
    for _ in range(rounds):
        for name, run in contestants.items():
            for _ in range(3):
                begin = time.thread_time()
                run()
                times[name].append(1000.0 * (time.thread_time() - begin))
    return {name: statistics.median(each) for name, each in times.items()}


def count_figures(name: str, signal: Signal, rounds: int) -> dict[str, float]:
    """Our counts of one signal against the libraries, and the bandwidth of merely reading it."""
    in_classes, head = classed(signal), signal[:RAINFLOW_SAMPLES]
    ms = medians_ms(
        {
            "reading the array": signal.sum,
            "ledger": lambda: ledger.count(signal, DEFAULT_EDGES),
            "floats": lambda: float_cycles.count(signal),
            "pylife, classed before": lambda: pylife_cycles(in_classes),
            "pylife, classing and histogram": lambda: pylife_whole(signal),
            "pylife, floats": lambda: pylife_cycles(signal),
            "rainflow": lambda: rainflow.count_cycles(head, binsize=DEFAULT_EDGES.width_pct),
        },
        rounds,
    )
    ms["rainflow"] *= signal.size / head.size
    for label, took_ms in ms.items():
        print(f"{name:6} {label:31} {took_ms:9.2f} ms {signal.size / took_ms / 1000.0:8.1f} M samples/s")
    return {
        "vs_pylife": ms["pylife, classed before"] / ms["ledger"],
        "vs_pylife_whole": ms["pylife, classing and histogram"] / ms["ledger"],
        "vs_rainflow": ms["rainflow"] / ms["ledger"],
        "float_vs_pylife": ms["pylife, floats"] / ms["floats"],
        "count_msps": signal.size / ms["ledger"] / 1000.0,
        "read_gb_s": signal.nbytes / ms["reading the array"] / 1e6,
    }


def directions_msps(signal: Signal, rounds: int) -> float:
    """24 directions of a crane that slews about a third of the time [M samples/s]."""
    rng = np.random.default_rng(3)
    turning = np.repeat(rng.uniform(size=signal.size // 100 + 1) < 0.3, 100)[: signal.size]
    slew_deg = np.round(np.cumsum(turning * 0.5 * np.sin(np.arange(signal.size) / 700.0)), 1)
    ms = medians_ms({"all": lambda: directions.count_directions(signal, slew_deg)}, rounds)["all"]
    print(f"crane  24 directions                   {ms:9.2f} ms {signal.size / ms / 1000.0:8.1f} M samples/s")
    return signal.size / ms / 1000.0


def merge_figures(rounds: int) -> dict[str, float]:
    """Ten years of day ledgers, 50 different days over and over, each in memory of its own."""
    year = crane_signal(50 * SAMPLES_A_DAY, 0.3, seed=4)
    packed = [ledger.to_bytes(ledger.count(day, DEFAULT_EDGES)) for day in np.array_split(year, 50)]
    stored = [packed[day % len(packed)] for day in range(DAYS)]
    days = [ledger.from_bytes(each) for each in stored]
    ms = medians_ms(
        {
            "merge": lambda: ledger.merge_all(days),
            "unpack": lambda: [ledger.from_bytes(each) for each in stored],
        },
        rounds,
    )
    cells = statistics.mean(day.cells.size for day in days)
    size = statistics.mean(len(each) for each in stored)
    print(f"merge of {DAYS} day ledgers of {cells:.0f} cells: {ms['merge']:.2f} ms; unpacking them, {size:.0f} bytes each: "
          f"{ms['unpack']:.1f} ms")  # fmt: skip
    return {"merge_10y_ms": ms["merge"], "unpack_10y_ms": ms["unpack"]}


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--json", action="store_true", help="end with one line of JSON")
    parser.add_argument("--samples", type=int, default=SAMPLES, help="length of each signal")
    parser.add_argument("--rounds", type=int, default=5, help="rounds of three runs of each contestant")
    options = parser.parse_args()
    warnings.simplefilter("ignore")  # pylife's, about its own future

    begin = time.process_time()
    duty.warm_up()
    warm_up_s = time.process_time() - begin
    print(f"warm-up {warm_up_s:.2f} s")
    crane = crane_signal(options.samples, 0.3)
    figures = count_figures("crane", crane, options.rounds)
    for name, signal in (
        ("quiet", crane_signal(options.samples, 0.0)),
        ("walk", random_walk(options.samples)),
    ):
        figures |= {
            f"{name}_{key}": value for key, value in count_figures(name, signal, options.rounds).items()
        }
    figures |= {
        "directions_msps": directions_msps(crane, 2),
        "warm_up_s": warm_up_s,
    }
    figures |= merge_figures(options.rounds)
    for key in ("vs_pylife", "vs_rainflow", "float_vs_pylife", "directions_msps", "merge_10y_ms"):
        print(f"{key} {figures[key]:.2f}")
    if options.json:
        print(json.dumps({key: round(value, 3) for key, value in figures.items()}))


if __name__ == "__main__":
    main()
