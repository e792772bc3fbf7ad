"""Degree days of real EnergyPlus weather files against pvlib's own reader of the same files.

pvlib 0.11.2 (BSD-3-Clause, at the version of tests/outside/requirements.txt) ships two files: the
ASHRAE IWEC typical year of Amsterdam and a PVGIS typical year. They stay in its package and are not
copied. Both are typical years, whose months come from different years. What is computed from the
hours here is plain pandas. Needs the built binary: target/release/hotspell or target/debug/hotspell,
or HOTSPELL_BIN.

Run: tests/.venv/bin/python tests/outside/weather_epw.py
"""

import json
import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import pvlib
from pvlib.iotools import read_epw

ROOT = Path(__file__).resolve().parents[2]
FILES = sorted((Path(pvlib.__file__).parent / "data").glob("*.epw"))
EXPECTED_FILES = 2
CHECKS = []
FAILED = []


def binary():
    named = os.environ.get("HOTSPELL_BIN")
    for path in [Path(named)] if named else [ROOT / "target" / kind / "hotspell" for kind in ("release", "debug")]:
        if path.is_file():
            return path
    sys.exit("weather_epw: build the binary first: cargo build")


def ours(file, *arguments):
    """What the command says of the file."""
    run = [binary(), "degree-days", str(file), *arguments]
    return json.loads(subprocess.run(run, check=True, capture_output=True, text=True).stdout)


def check(name, got, expected, allowed):
    got, expected = np.asarray(got, dtype=float), np.asarray(expected, dtype=float)
    worst = np.inf if got.shape != expected.shape or got.size == 0 else np.max(np.abs(got - expected))
    CHECKS.append(name)
    agrees = bool(worst <= allowed)
    print(f"{'agrees' if agrees else 'DIFFERS'}: {name}, {got.size} values, apart {worst:.3g} (allowed {allowed:g})")
    if not agrees:
        FAILED.append(name)


def compare(file):
    table, head = read_epw(file)
    by_day = table.groupby([table.month, table.day], sort=True).temp_air
    for name, base, arguments, daily in (
        ("hourly cooling 18C", 18.0, ["--method", "hourly"], lambda t, base: np.maximum(t - base, 0).mean()),
        ("hourly heating 18C", 18.0, ["--method", "hourly", "--heating"], lambda t, base: np.maximum(base - t, 0).mean()),
        ("mean cooling 10C", 10.0, ["--method", "mean"], lambda t, base: max((t.max() + t.min()) / 2 - base, 0)),
    ):
        said = ours(file, "--base", f"{base:g}C", *arguments)
        theirs = by_day.apply(lambda temperatures: daily(temperatures.to_numpy(), base))
        dates = [tuple(int(part) for part in day["date"].split("-")[1:]) for day in said["days"]]
        check(f"{file.name}: days", np.ravel(dates), np.ravel(theirs.index.tolist()), 0)
        check(f"{file.name}: {name}", [day["degree_days"] for day in said["days"]], theirs.to_numpy(), 1e-9)
        check(f"{file.name}: {name}, total", [said["total"]], [theirs.sum()], 1e-6)
        if str(said["station"]) != str(head["WMO_code"]):
            FAILED.append(f"{file.name}: station {said['station']}, pvlib reads {head['WMO_code']}")


def main():
    for file in FILES:
        compare(file)
    print(f"EPW: {len(FILES)} files, {len(CHECKS)} comparisons, {len(FAILED)} differ", *FAILED, sep="\n  ")
    return 0 if not FAILED and len(FILES) == EXPECTED_FILES else 1


if __name__ == "__main__":
    sys.exit(main())
