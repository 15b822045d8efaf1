"""Speed and memory of the estimators beside plain loops over pandas rows and beside R, on the same data, in one run.

Run it on an idle machine: ``python tests/bench/speed.py [--sizes 10000,100000,1000000] [--no-r]``. Times vary from machine to
machine; trust the ratios. Each of our calls runs in a process of its own; its peak memory is what it takes beyond its data (Linux only). A loop that would
take minutes is timed on a part and extrapolated in proportion; such times carry a ``*``.
"""

from __future__ import annotations

import os

os.environ.setdefault("OMP_NUM_THREADS", "1")
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import argparse
import math
import multiprocessing
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, fields
from datetime import date
from pathlib import Path

import numpy as np
import pandas as pd
from scipy import optimize

from fishreport.methods.catch_rate import fit_catch_model, mean_catch_rate
from fishreport.methods.condition import mean_relative_weight
from fishreport.methods.growth import fit_von_bertalanffy
from fishreport.methods.length_weight import fit_length_weight
from fishreport.methods.resampling import cluster_bootstrap
from fishreport.methods.size_structure import proportional_size
from fishreport.species import load_standards

FISH_A_RUN, AGED, RESAMPLES = 20, 5000, 2000
STOCK, QUALITY = 200.0, 330.0
LOOPED_ROWS, LOOPED_FITS, BOOT_IN_R = 20_000, 20, 200
STANDARD = load_standards().find("brown trout (lotic)")


@dataclass(frozen=True)
class Catch:
    """A simulated catch: columns of fish, of runs, and of a smaller sample of aged fish."""

    run: np.ndarray
    length_mm: np.ndarray
    weight_g: np.ndarray
    age: np.ndarray
    length_at_age: np.ndarray
    effort_h: np.ndarray
    season: np.ndarray
    site: np.ndarray
    catch: np.ndarray
    aged_age: np.ndarray
    aged_length: np.ndarray


@dataclass(frozen=True)
class Timed:
    """Seconds, MB above what the data took, and the answer."""

    seconds: float
    megabytes: float
    answer: float


def curve(age: np.ndarray, top: float, k: float, t0: float) -> np.ndarray:
    return top * (1 - np.exp(-k * (age - t0)))


def simulate(fish: int) -> Catch:
    """A catch of `fish` fish from a fixed seed, `FISH_A_RUN` a run."""
    rng = np.random.default_rng(5)
    runs = max(fish // FISH_A_RUN, 60)
    run = np.sort(rng.integers(0, runs, fish))
    length = np.clip(300 + 27 * rng.normal(size=runs)[run] + 54 * rng.normal(size=fish), 60, None)
    weight = 10 ** (-4.867 + 2.96 * np.log10(length) + rng.normal(0, 0.04, fish))
    age = rng.integers(1, 9, fish).astype(float)
    aged = rng.integers(1, 9, min(AGED, fish)).astype(float)
    effort = rng.uniform(0.12, 0.22, runs)
    season, site = rng.integers(2016, 2026, runs), rng.integers(0, 12, runs)
    mean = 90 * effort * np.exp(0.05 * (season - 2020) + 0.1 * (site - 6))
    return Catch(
        run,
        length,
        weight,
        age,
        curve(age, 550, 0.35, -0.3) + rng.normal(0, 25, fish),
        effort,
        season,
        site,
        rng.poisson(mean * rng.gamma(2.0, 0.5, runs)),
        aged,
        curve(aged, 550, 0.35, -0.3) + rng.normal(0, 25, len(aged)),
    )


def catch_rate(data: Catch) -> float:
    count = np.bincount(data.run, data.length_mm >= STOCK, minlength=len(data.effort_h))
    return mean_catch_rate(count, data.effort_h).value


def size_index(data: Catch) -> float:
    return proportional_size(data.length_mm, stock=STOCK, bound=QUALITY, run=data.run).value


def run_totals(data: Catch) -> np.ndarray:
    runs = len(data.effort_h)
    return np.column_stack([np.bincount(data.run, data.length_mm >= bound, minlength=runs) for bound in (QUALITY, STOCK)])


def index_bootstrap(data: Catch) -> float:
    return cluster_bootstrap(run_totals(data), "ratio", rng=np.random.default_rng(1), resamples=RESAMPLES).value


def length_weight(data: Catch) -> float:
    return fit_length_weight(data.length_mm, data.weight_g).slope.value


def length_weight_runs(data: Catch) -> float:
    return fit_length_weight(data.length_mm, data.weight_g, run=data.run).slope.se


def relative(data: Catch) -> float:
    return mean_relative_weight(data.length_mm, data.weight_g, STANDARD, run=data.run).value


def growth(data: Catch) -> float:
    return fit_von_bertalanffy(data.age, data.length_at_age, interval="wald").asymptotic_length.value


def growth_profile(data: Catch) -> float:
    return fit_von_bertalanffy(data.age, data.length_at_age, interval="profile").asymptotic_length.upper


def growth_bootstrap(data: Catch) -> float:
    rng = np.random.default_rng(1)
    fit = fit_von_bertalanffy(data.aged_age, data.aged_length, interval="bootstrap", resamples=RESAMPLES, rng=rng)
    return fit.asymptotic_length.value


def catch_model(data: Catch) -> float:
    frame = pd.DataFrame({"season": data.season, "site": data.site.astype(str), "effort_h": data.effort_h, "catch": data.catch})
    return fit_catch_model(frame, terms="season + site").theta


def _rows(data: Catch) -> tuple[pd.DataFrame, float]:
    """The first rows as a table, and by how much the whole is larger; whole runs."""
    last = data.run[min(LOOPED_ROWS, len(data.run)) - 1]
    part = data.run <= last
    table = pd.DataFrame({"run": data.run[part], "length_mm": data.length_mm[part], "weight_g": data.weight_g[part]})
    return table, len(data.run) / len(table)


def loop_catch_rate(data: Catch) -> float:
    table, scale = _rows(data)
    catch: dict[int, int] = {}
    for row in table.itertuples():
        if row.length_mm >= STOCK:
            catch[row.run] = catch.get(row.run, 0) + 1
    rate = sum(catch.values()) / data.effort_h[: int(table["run"].max()) + 1].sum()
    sum((catch.get(run, 0) - rate * hours) ** 2 for run, hours in enumerate(data.effort_h[: len(catch)]))
    return scale


def loop_size_index(data: Catch) -> float:
    table, scale = _rows(data)
    pairs = []
    for _, part in table.groupby("run"):
        stock = int((part["length_mm"] >= STOCK).sum())
        pairs.append((int((part["length_mm"] >= QUALITY).sum()), stock))
    share = sum(y for y, _ in pairs) / sum(x for _, x in pairs)
    sum((y - share * x) ** 2 for y, x in pairs)
    return scale


def loop_index_bootstrap(data: Catch) -> float:
    """Draws whole runs and puts their fish together anew, a few times."""
    table, scale = _rows(data)
    rng = np.random.default_rng(1)
    parts = [part for _, part in table.groupby("run")]
    drawn = 5
    for _ in range(drawn):
        length = pd.concat([parts[i] for i in rng.integers(0, len(parts), len(parts))])["length_mm"]
        (length >= QUALITY).sum() / (length >= STOCK).sum()
    return scale * RESAMPLES / drawn


def loop_length_weight(data: Catch) -> float:
    table, scale = _rows(data)
    n = sx = sy = sxx = sxy = 0.0
    for row in table.itertuples():
        x, y = math.log10(row.length_mm), math.log10(row.weight_g)
        n, sx, sy, sxx, sxy = n + 1, sx + x, sy + y, sxx + x * x, sxy + x * y
    assert math.isfinite((n * sxy - sx * sy) / (n * sxx - sx * sx))
    return scale


def loop_length_weight_runs(data: Catch) -> float:
    """Fits again without each of a few runs, the whole catch each time."""
    x, y = np.log10(data.length_mm), np.log10(data.weight_g)
    for run in range(5):
        kept = data.run != run
        np.polyfit(x[kept], y[kept], 1)
    return len(data.effort_h) / 5


def loop_relative(data: Catch) -> float:
    table, scale = _rows(data)
    found = table.apply(lambda row: 100 * row["weight_g"] / 10 ** (-4.867 + 2.96 * math.log10(row["length_mm"])), axis=1)
    assert found.mean() > 0
    return scale


def loop_growth(data: Catch) -> float:
    """Not a loop: the bare fit, without checks of whether there is an asymptote and without residuals."""
    optimize.curve_fit(curve, data.age, data.length_at_age, [500, 0.3, 0])
    return 1.0


def loop_growth_bootstrap(data: Catch) -> float:
    rng = np.random.default_rng(1)
    for _ in range(LOOPED_FITS):
        drawn = rng.integers(len(data.aged_age), size=len(data.aged_age))
        optimize.curve_fit(curve, data.aged_age[drawn], data.aged_length[drawn], [500, 0.3, 0])
    return RESAMPLES / LOOPED_FITS


Loop = Callable[[Catch], float]
TASKS: dict[str, tuple[Callable[[Catch], float], Loop | None, float | None]] = {
    # name: ours; the loop, which answers by what to multiply its time; what to multiply R's time by (None: not in R)
    "catch rate": (catch_rate, loop_catch_rate, 1.0),
    "size index": (size_index, loop_size_index, 1.0),
    "bootstrap of the index": (index_bootstrap, loop_index_bootstrap, RESAMPLES / BOOT_IN_R),
    "length-weight": (length_weight, loop_length_weight, 1.0),
    "length-weight, runs": (length_weight_runs, loop_length_weight_runs, None),
    "relative weight": (relative, loop_relative, 1.0),
    "von Bertalanffy fit": (growth, loop_growth, 1.0),
    "its profile interval": (growth_profile, None, 1.0),
    "growth bootstrap": (growth_bootstrap, loop_growth_bootstrap, RESAMPLES / LOOPED_FITS),
    "catch model": (catch_model, None, 1.0),
}
SAME_AT_ANY_SIZE = "growth bootstrap"  # always of AGED fish


def seconds(call: Callable[[], object], rounds: int = 3) -> float:
    """Least wall time of some rounds, of one if that takes over 2 s."""
    best = math.inf
    for _ in range(rounds):
        began = time.perf_counter()
        call()
        best = min(best, time.perf_counter() - began)
        if best > 2:
            break
    return best


def _memory(name: str) -> float:
    """A line of the process's memory in MB: ``VmRSS`` held now, ``VmHWM`` the peak since it was last reset; NaN off Linux."""
    status = Path("/proc/self/status")
    lines = status.read_text().splitlines() if status.exists() else []
    return next((float(line.split()[1]) / 1024 for line in lines if line.startswith(f"{name}:")), math.nan)


def _reset_peak() -> None:
    clear = Path("/proc/self/clear_refs")
    if clear.exists():
        clear.write_text("5")


def _ours(name: str, fish: int) -> Timed:
    call = TASKS[name][0]
    call(simulate(2000))  # what is loaded on first use
    data = simulate(fish)
    _reset_peak()
    before = _memory("VmRSS")
    answer = call(data)
    grown = _memory("VmHWM") - before
    return Timed(seconds(lambda: call(data)), grown, answer)


def time_ours(name: str, fish: int) -> Timed:
    """In a process of its own."""
    with multiprocessing.get_context("spawn").Pool(1) as pool:
        return pool.apply(_ours, (name, fish))


def time_in_r(data: Catch) -> dict[str, tuple[float, float]]:
    """Seconds and answer of each task that R does."""
    columns = {field.name: getattr(data, field.name) for field in fields(Catch)}
    with tempfile.TemporaryDirectory() as temporary:
        names = {
            "fish": ("run", "length_mm", "weight_g", "age", "length_at_age"),
            "runs": ("effort_h", "season", "site", "catch"),
        }
        for table, held in names.items():
            pd.DataFrame({name: columns[name] for name in held}).to_csv(Path(temporary) / f"{table}.csv", index=False)
        aged = pd.DataFrame({"age": data.aged_age, "length_mm": data.aged_length})
        aged.to_csv(Path(temporary) / "aged.csv", index=False)
        paths = [str(Path(temporary) / f"{table}.csv") for table in ("fish", "runs", "aged")]
        script = Path(__file__).with_suffix(".R")
        command = ["Rscript", str(script), *paths, str(BOOT_IN_R), str(LOOPED_FITS)]
        said = subprocess.run(command, check=True, capture_output=True, text=True).stdout
    found = {}
    for line in said.splitlines():
        name, took, answer = line.rstrip().rsplit(maxsplit=2)
        found[name] = float(took), float(answer)
    return found


def table(sizes: Sequence[int], with_r: bool) -> pd.DataFrame:
    """One row a task and size."""
    rows = []
    for fish in sizes:
        data = simulate(fish)
        r = time_in_r(data) if with_r else {}
        for name, (_, loop, more) in TASKS.items():
            if name == SAME_AT_ANY_SIZE and fish != sizes[0]:
                continue
            ours = time_ours(name, fish)
            row: dict[str, object] = {"task": name, "fish": len(data.aged_age) if name == SAME_AT_ANY_SIZE else fish}
            row |= {"seconds": ours.seconds, "MB": ours.megabytes, "loop": math.nan, "part": False, "R": math.nan}
            if loop is not None:
                scale = 1.0
                began = time.perf_counter()
                scale = loop(data)
                row |= {"loop": (time.perf_counter() - began) * scale, "part": scale > 1.001}
            if more is not None and name in r:
                row |= {"R": r[name][0] * more, "R part": more > 1, "apart": abs(r[name][1] / ours.answer - 1)}
            rows.append(row)
            print(f"{name}, {row['fish']} fish: {ours.seconds:.3g} s", file=sys.stderr, flush=True)
    return pd.DataFrame(rows)


def exponents(found: pd.DataFrame) -> dict[str, float]:
    """Power of size with which our time grows from the smallest to the largest."""
    grown = {}
    for name, part in found.groupby("task", sort=False):
        first, last = part.iloc[0], part.iloc[-1]
        if last["fish"] > first["fish"]:
            grown[str(name)] = math.log(last["seconds"] / first["seconds"]) / math.log(last["fish"] / first["fish"])
    return grown


def main(arguments: Sequence[str] | None = None) -> int:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--sizes", default="10000,100000,1000000", help="numbers of fish, from small to large")
    parser.add_argument("--no-r", action="store_true", help="leave R out")
    given = parser.parse_args(arguments)
    sizes = [int(size) for size in given.sizes.split(",")]
    with_r = not given.no_r and shutil.which("Rscript") is not None
    found = table(sizes, with_r)
    grown = exponents(found)
    load = f", load {os.getloadavg()[0]:.1f}" if hasattr(os, "getloadavg") else ""
    print(f"{date.today().isoformat()}, {os.cpu_count()} cores{load}; {RESAMPLES} resamples; * extrapolated from a part")
    head = f"{'task':<24}{'fish':>9}{'ours s':>10}{'peak MB':>9}{'loop s':>12}{'ratio':>9}{'R s':>11}{'ratio':>9}{'apart':>9}"
    print(f"{head}{'growth':>8}")
    for _, row in found.iterrows():
        loop = "" if math.isnan(row["loop"]) else f"{row['loop']:.3g}{'*' if row['part'] else ''}"
        loop_ratio = "" if math.isnan(row["loop"]) else f"{row['loop'] / row['seconds']:.3g}"
        r = "" if math.isnan(row["R"]) else f"{row['R']:.3g}{'*' if row['R part'] is True else ''}"
        r_ratio = "" if math.isnan(row["R"]) else f"{row['R'] / row['seconds']:.3g}"
        apart = "" if math.isnan(row["R"]) else f"{row['apart']:.0e}"
        power = f"{grown[row['task']]:.2f}" if row["task"] in grown and row["fish"] == sizes[-1] else ""
        print(
            f"{row['task']:<24}{row['fish']:>9}{row['seconds']:>10.2g}{row['MB']:>9.0f}{loop:>12}{loop_ratio:>9}{r:>11}"
            f"{r_ratio:>9}{apart:>9}{power:>8}"
        )
    print(
        "ratio: their time over ours. apart: relative difference of the answers of R and ours. growth: ours as a power of size."
    )
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
