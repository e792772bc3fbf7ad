"""Fits the same 100,000 left-truncated, censored lifetimes with 8 covariates with lifelines'
WeibullAFTFitter (which has no frailty) and with `hotspell lifetimes fit`, without frailty and with
30,000 frailty groups, in one run, and prints seconds and estimates side by side.

Needs the release binary. Run:
tests/.venv/bin/python tests/peers/reliability_fit.py [ROWS] [GROUPS]
"""

import json
import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
import pandas as pd
from lifelines import WeibullAFTFitter

ROOT = Path(__file__).resolve().parents[2]
BINARY = os.environ.get("HOTSPELL_BIN", str(ROOT / "target/release/hotspell"))
ROWS = int(sys.argv[1]) if len(sys.argv) > 1 else 100_000
GROUPS = int(sys.argv[2]) if len(sys.argv) > 2 else 30_000
NAMES = [f"x{i}" for i in range(8)]


def simulate():
    """Weibull shape 3, scale 12, gamma frailty of variance 0.5, entry on 0 to 8, five years."""
    rng = np.random.default_rng(7)
    many = 3 * ROWS
    x = rng.uniform(-0.5, 0.5, (many, 8))
    home = rng.integers(0, GROUPS, many)
    frailty = rng.gamma(2.0, 0.5, GROUPS)[home]
    speed = frailty * np.exp(x @ (0.4 - 0.1 * np.arange(8)))
    life = 12 * (rng.exponential(size=many) / speed) ** (1 / 3)
    entry = rng.uniform(0, 8, many)
    kept = np.flatnonzero(life > entry)[:ROWS]
    end = np.minimum(life, entry + 5)[kept]
    frame = pd.DataFrame(x[kept], columns=NAMES)
    frame["entry"], frame["time"] = entry[kept], end
    frame["failed"] = life[kept] <= entry[kept] + 5
    frame["home"] = home[kept]
    return frame


def ours(path, *more):
    started = time.perf_counter()
    done = subprocess.run(
        [BINARY, "lifetimes", "fit", path, "--distribution", "weibull", "--covariates",
         ",".join(NAMES), *more],
        capture_output=True, text=True, check=True,
    )
    return time.perf_counter() - started, json.loads(done.stdout)


frame = simulate()
print(f"{len(frame)} lifetimes, {int(frame['failed'].sum())} failures, {GROUPS} groups")
with tempfile.TemporaryDirectory() as folder:
    path = f"{folder}/lifetimes.csv"
    table = frame.assign(lower=frame["time"], upper=frame["time"].where(frame["failed"]))
    table[["entry", "lower", "upper", *NAMES, "home"]].to_csv(path, index=False)
    seconds, plain = ours(path)
    print(f"hotspell, no frailty        {seconds:7.2f} s  shape {plain['parameters']['shape']:.5f}")
    started = time.perf_counter()
    peer = WeibullAFTFitter().fit(frame[[*NAMES, "time", "failed", "entry"]], "time", "failed",
                                  entry_col="entry")
    shape = float(np.exp(peer.params_[("rho_", "Intercept")]))
    print(f"lifelines, no frailty       {time.perf_counter() - started:7.2f} s  shape {shape:.5f}")
    seconds, full = ours(path, "--form", "ph", "--frailty", "home")
    print(f"hotspell, {GROUPS} frailties  {seconds:7.2f} s  shape {full['parameters']['shape']:.5f}"
          f"  frailty variance {full['parameters']['frailty_variance']:.4f} (truth 3, 0.5)")
if abs(plain["parameters"]["shape"] / shape - 1) > 1e-3:
    sys.exit("the two fits without frailty disagree")
