"""Degree days and hot spells of a real record against xclim on the same file.

xclim 0.62.0 (climate indices of Ouranos, Apache-2.0), numpy and pandas, at the versions of
tests/outside/requirements.txt. The reader of the file here is written apart, by the archive's
readme. Our side is the weather room's example `reference`, which cargo builds when needed.

Run: tests/.venv/bin/python tests/outside/weather_reference.py
"""

import json
import subprocess
import sys
import warnings
from pathlib import Path

import numpy as np
import pandas as pd

# The libraries' own warnings of deprecated calls are not ours to mend.
warnings.filterwarnings("ignore")
import xarray as xr  # noqa: E402
from xclim import indices  # noqa: E402

ROOT = Path(__file__).resolve().parents[2]
PHOENIX = ROOT / "seed" / "weather" / "ghcnd_USW00023183.dly"
BASE_YEARS = slice("1991-01-01", "2020-12-31")
EXPECTED_COMPARISONS = 7
CHECKS = []
FAILED = []


def check(name, ours, theirs, allowed):
    """One comparison: the largest difference of two arrays against what is allowed."""
    ours, theirs = np.atleast_1d(ours).astype(float), np.atleast_1d(theirs).astype(float)
    worst = np.inf if ours.shape != theirs.shape or ours.size == 0 else np.max(np.abs(ours - theirs))
    CHECKS.append(name)
    agrees = bool(worst <= allowed)
    print(f"{'agrees' if agrees else 'DIFFERS'}: {name}, {ours.size} values, apart {worst:.3g} (allowed {allowed:g})")
    if not agrees:
        FAILED.append(name)


def hotspell():
    """What the weather room says of the file."""
    run = ["cargo", "run", "--quiet", "--locked", "-p", "hotspell-weather", "--example", "reference", "--", str(PHOENIX)]
    return json.loads(subprocess.run(run, cwd=ROOT, check=True, stdout=subprocess.PIPE, text=True).stdout)


def read_dly(path):
    """A reader of its own, by the archive's readme."""
    values = {"TMAX": {}, "TMIN": {}}
    for line in path.read_text().splitlines():
        year, month, element = int(line[11:15]), int(line[15:17]), line[17:21]
        if element not in values:
            continue
        for day in range(31):
            group = line[21 + 8 * day : 29 + 8 * day]
            if len(group) >= 5 and int(group[:5]) != -9999 and group[6:7].strip() == "":
                values[element][pd.Timestamp(year, month, day + 1)] = int(group[:5]) / 10
    table = pd.DataFrame(values).dropna()
    return table[table.TMAX >= table.TMIN].sort_index()


def as_array(series):
    """Degrees Celsius on the days of the index."""
    return xr.DataArray(
        series.values, coords={"time": series.index}, dims="time", attrs={"units": "degC"}
    ).sel(time=BASE_YEARS)


def compare_degree_days(ours, table):
    """Simple mean, both senses and both units, year by year 1991 to 2020."""
    mean = as_array((table.TMAX + table.TMIN) / 2)
    for name, function, threshold, scale in (
        ("cooling 18C", indices.cooling_degree_days, "18 degC", 1.0),
        ("cooling 65F", indices.cooling_degree_days, "65 degF", 1.8),
        ("heating 18C", indices.heating_degree_days, "18 degC", 1.0),
    ):
        theirs = function(mean, thresh=threshold, freq="YS")
        years = [str(int(year)) for year in theirs.time.dt.year]
        check(f"degree days {name}, xclim", [ours[name][year] for year in years], scale * theirs.values, 1e-6)


def compare_spells(ours, table):
    """Three days or more above the 95th percentile of maxima: threshold, spells, days, longest."""
    maximum = as_array(table.TMAX)
    threshold = np.quantile(maximum.values, 0.95)
    check("95th percentile of maxima, numpy", ours["threshold_celsius"], threshold, 1e-9)
    # Values stand in tenths: between two of them no rounding can decide.
    above = f"{np.floor(threshold * 10) / 10 + 0.05} degC"
    daily = maximum.resample(time="D").asfreq()
    daily.attrs["units"] = "degC"
    options = {"thresh": above, "window": 3, "freq": "YS"}
    for name, function, of_year in (
        ("number", indices.hot_spell_frequency, len),
        ("days", indices.hot_spell_total_length, sum),
        ("longest", indices.hot_spell_max_length, lambda days: max(days, default=0)),
    ):
        theirs = function(daily, **options)
        mine = [
            of_year([spell["days"] for spell in ours["spells"] if spell["year"] == int(year)])
            for year in theirs.time.dt.year
        ]
        check(f"hot spells, {name}, xclim", mine, theirs.values, 0)


def main():
    ours, table = hotspell(), read_dly(PHOENIX)
    compare_degree_days(ours, table)
    compare_spells(ours, table)
    print(f"weather: {len(CHECKS)} comparisons, {len(FAILED)} differ")
    return 0 if not FAILED and len(CHECKS) == EXPECTED_COMPARISONS else 1


if __name__ == "__main__":
    sys.exit(main())
