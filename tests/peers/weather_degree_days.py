"""Reading and counting degree days, beside numpy and pandas doing the same work on the same data.

Run: cargo build --release -p hotspell-weather --example speed
     tests/.venv/bin/python tests/peers/weather_degree_days.py [--megabytes 1000]

Needs numpy and pandas (the versions of tests/outside/requirements.txt). Each repeat is a process of
its own, so that processor time and peak memory are its own. On a busy machine wall times are long:
the least of three repeats counts on both sides. The peer is written as a
good pandas user would: typed columns, categories, only the columns needed, the C parser and, where
pyarrow is there, its parser too; whole arrays and no loops over days.
"""

import argparse
import json
import os
import subprocess
import sys
import tempfile
import time

import numpy as np
import pandas as pd

ROOT = os.path.join(os.path.dirname(os.path.abspath(__file__)), "..", "..")
SPEED = os.environ.get("HOTSPELL_SPEED", os.path.join(ROOT, "target", "release", "examples", "speed"))
DAYS, STATIONS = 10_958, 1000


def measured(command):
    """What a program prints, with the processor time that it took."""
    process = subprocess.Popen(command, stdout=subprocess.PIPE)
    printed = process.stdout.read()
    _, status, usage = os.wait4(process.pid, 0)
    if status != 0:
        raise subprocess.CalledProcessError(status, command)
    return json.loads(printed) | {"processor_seconds": usage.ru_utime + usage.ru_stime}


def peak_megabytes():
    """The most memory that this process has held; ru_maxrss of a child would count its parent's too."""
    with open("/proc/self/status") as status:
        return next(int(line.split()[1]) / 1024 for line in status if line.startswith("VmHWM:"))


def least_of_three(command):
    return min((measured(command) for _ in range(3)), key=lambda run: run["seconds"])


def ours(*arguments):
    """The least of three runs."""
    return least_of_three([SPEED, *arguments])


def parsed(name, size, run):
    megabytes = size / 1e6
    print(
        f"{name}: {megabytes / run['seconds']:.0f} MB/s, {megabytes / run['processor_seconds']:.0f} MB a second of"
        f" processor time, peak memory {run['peak_megabytes']:.0f} MB"
    )


def least(work, *arguments):
    """The least of three runs of a function that gives seconds and a result."""
    return min((work(*arguments) for _ in range(3)), key=lambda run: run[0])


def write_by_year(path, megabytes):
    """A year of many stations, one element a line, in the archive's columns."""
    block = []
    size = station = 0
    with open(path, "w") as out:
        while size < megabytes * 1e6:
            name = f"USX{station:08d}"
            block = [
                f"{name},2023{1 + day // 31:02d}{1 + day % 28:02d},{element},{(day * 37 + station) % 400},,,W,2400\n"
                for day in range(365)
                for element in ("TMAX", "TMIN", "PRCP")
            ]
            text = "".join(block)
            out.write(text)
            size += len(text)
            station += 1
    return size


def pandas_parse(path, engine):
    names = ["station", "date", "element", "value", "m", "q", "s", "time"]
    start = time.perf_counter()
    table = pd.read_csv(
        path,
        header=None,
        names=names,
        # pandas 2.3 cannot choose columns of a file without header for pyarrow.
        usecols=None if engine == "pyarrow" else ["station", "date", "element", "value", "q"],
        dtype={"station": "category", "date": "int32", "element": "category", "value": "int32", "q": "str"},
        engine=engine,
    )
    # An empty flag is NaN for one parser and text for the other.
    unflagged = table.q.isna() if engine == "c" else table.q.isin(["", "nan"])
    wanted = table[table.element.isin(["TMAX", "TMIN"]) & unflagged]
    result = len(wanted), wanted.value.sum() / 10
    seconds = time.perf_counter() - start
    return {"seconds": seconds, "values": result[0], "sum": float(result[1]), "peak_megabytes": peak_megabytes()}


def data():
    day = np.arange(DAYS)[None, :]
    index = np.arange(STATIONS)[:, None]
    season = np.sin(2 * np.pi * (day - 105.0) / 365.25)
    mixed = (day * 7919 + index * 104729) % 1000
    mean = 15.0 + index % 17 + 10.0 * season + mixed / 125.0 - 4.0
    half = 4.0 + (mixed % 60) / 10.0
    return mean - half, mean + half


def sine(low, high, base):
    mean, half = (low + high) / 2, (high - low) / 2
    ratio = np.clip((base - mean) / half, -1, 1)
    return ((mean - base) * (np.pi / 2 - np.arcsin(ratio)) + half * np.sqrt(1 - ratio * ratio)) / np.pi


def triangle(low, high, base):
    inside = np.clip(high - base, 0, None) ** 2 / (2 * (high - low))
    return np.where(low >= base, (low + high) / 2 - base, inside)


def numpy_methods(low_c, high_c):
    start = time.perf_counter()
    base = 65.0
    low, high = low_c * 9 / 5 + 32, high_c * 9 / 5 + 32
    next_low = np.concatenate([low[:, 1:], low[:, -1:]], axis=1)
    next_low = np.where(next_low <= high, next_low, low)
    mean = np.maximum((low + high) / 2 - base, 0)
    whole_low, whole_high = np.floor(low + 0.5), np.floor(high + 0.5)
    rounded = np.maximum(np.floor((whole_low + whole_high) / 2 + 0.5) - base, 0)
    modified = (np.maximum(low, base) + np.maximum(high, base)) / 2 - base
    single_sine, single_triangle = sine(low, high, base), triangle(low, high, base)
    double_sine = (single_sine + sine(next_low, high, base)) / 2
    double_triangle = (single_triangle + triangle(next_low, high, base)) / 2
    totals = [a.sum() for a in (mean, rounded, modified, single_sine, double_sine, single_triangle, double_triangle)]
    dates = pd.date_range("1991-01-01", periods=DAYS)
    calendar = dates[(dates.month != 2) | (dates.day != 29)]
    keep = dates.isin(calendar)
    slot = (dates.month * 100 + dates.day)[keep]
    codes, _ = pd.factorize(slot, sort=True)
    sums = np.zeros((365, STATIONS))
    np.add.at(sums, codes, mean[:, keep].T)
    raw = sums / np.bincount(codes)[:, None]
    wrapped = np.concatenate([raw[-7:], raw, raw[:7]])
    cumulative = np.cumsum(np.concatenate([np.zeros((1, STATIONS)), wrapped]), axis=0)
    smoothed = (cumulative[15:] - cumulative[:-15]) / 15
    totals.append(smoothed.sum())
    return time.perf_counter() - start, totals


def main():
    arguments = argparse.ArgumentParser()
    arguments.add_argument("--megabytes", type=int, default=1000)
    arguments.add_argument("--pandas", nargs=2, metavar=("FILE", "ENGINE"), help="parse with pandas and tell how long it took")
    asked = arguments.parse_args()
    if asked.pandas:
        print(json.dumps(pandas_parse(*asked.pandas)))
        return 0
    megabytes = asked.megabytes
    failed = False
    with tempfile.TemporaryDirectory() as folder:
        path = os.path.join(folder, "by_year.csv")
        size = write_by_year(path, megabytes)
        here = ours("parse", path)
        parsed(f"by-year CSV of {size / 1e6:.0f} MB", size, here)
        engines = ["c"]
        try:
            import pyarrow  # noqa: F401

            engines.append("pyarrow")
        except ImportError:
            pass
        for engine in engines:
            peer = least_of_three([sys.executable, __file__, "--pandas", path, engine])
            parsed(f"  pandas {pd.__version__}, {engine} parser", size, peer)
            failed |= peer["values"] != here["values"] or abs(peer["sum"] - here["sum"]) > 1e-6 * abs(peer["sum"])
    here = ours("methods")
    seconds, totals = least(numpy_methods, *data())
    print(
        f"1,000 stations x 30 years, seven methods and normals: {here['seconds']:.2f} s on {os.cpu_count()} cores,"
        f" {here['processor_seconds']:.2f} s of processor time with making the data"
    )
    print(f"  numpy {np.__version__}, whole arrays: {seconds:.2f} s")
    for mine, theirs in zip(here["totals"], totals):
        failed |= abs(mine - theirs) > 1e-6 * abs(theirs)
    units = ours("units")
    print(f"one day for 100,000 units: {units['seconds'] * 1000:.1f} ms")
    if failed:
        print("the two do not agree", here, totals, file=sys.stderr)
    return int(failed)


if __name__ == "__main__":
    sys.exit(main())
