"""The command `hotspell lifetimes` against reference libraries on the same data.

lifelines 0.30.3 (accelerated life, Kaplan-Meier, Nelson-Aalen, log-rank), surpyval 0.25 (frailty,
Turnbull, values of R that it ships) and statsmodels 0.15.0 (survival function). The data are those
that surpyval ships (MIT licence; R survival's lung, kidney, ovarian, aml) and the shared
tests/data of the reliability room.

Needs the built binary: target/release/hotspell or target/debug/hotspell, or HOTSPELL_BIN.
Run: tests/.venv/bin/python tests/outside/reliability_reference.py
"""

import csv
import json
import os
import subprocess
import sys
import tempfile
from pathlib import Path

import warnings

import numpy as np
import pandas as pd

# The libraries' own warnings of deprecated calls are not ours to mend.
warnings.filterwarnings("ignore", category=FutureWarning)

ROOT = Path(__file__).resolve().parents[2]
DATA = ROOT / "service/reliability/tests/data"
FAILED = []
COMPARED = 0


def binary():
    named = os.environ.get("HOTSPELL_BIN")
    found = [Path(named)] if named else [ROOT / f"target/{p}/hotspell" for p in ("release", "debug")]
    for path in found:
        if path.is_file():
            return str(path)
    sys.exit("reliability_reference: build the binary first: cargo build --release")


def lifetimes(rows, columns, *arguments, command="fit", status=0):
    """Writes rows to a table, runs the command and reads its JSON."""
    with tempfile.NamedTemporaryFile("w", suffix=".csv", newline="", delete=False) as file:
        writer = csv.writer(file)
        writer.writerow(columns)
        writer.writerows(rows)
    try:
        done = subprocess.run(
            [binary(), "lifetimes", command, file.name, *arguments], capture_output=True, text=True
        )
    finally:
        os.unlink(file.name)
    if done.returncode != status:
        sys.exit(f"status {done.returncode}, expected {status}: {done.stderr}")
    return json.loads(done.stdout) if status == 0 else done.stderr


def check(name, got, expected, relative=1e-4, absolute=0.0):
    global COMPARED
    COMPARED += 1
    got, expected = np.atleast_1d(got), np.atleast_1d(expected)
    if not np.allclose(got, expected, rtol=relative, atol=absolute):
        FAILED.append(name)
        print(f"   {name}: hotspell {got}, reference {expected}")


def right_censored(frame, time, failed, *more):
    """Rows entry,lower,upper,... of right-censored data."""
    return [
        ["", row[time], row[time] if row[failed] else "", *(row[m] for m in more)]
        for row in frame.to_dict("records")
    ]


def lung():
    frame = pd.read_csv(DATA / "lung.csv").dropna(subset=["ph_ecog"])
    return frame[["time", "status", "age", "sex", "ph_ecog"]]


def accelerated_life():
    from lifelines import LogNormalAFTFitter, WeibullAFTFitter

    frame = lung()
    names = ["age", "sex", "ph_ecog"]
    rows = right_censored(frame, "time", "status", *names)
    columns = ["entry", "lower", "upper", *names]
    for law, fitter, scale, spread in [
        ("weibull", WeibullAFTFitter(), "lambda_", "rho_"),
        ("lognormal", LogNormalAFTFitter(), "mu_", "sigma_"),
    ]:
        reference = fitter.fit(frame, "time", "status")
        report = lifetimes(rows, columns, "--distribution", law, "--covariates", ",".join(names))
        for name in names:
            check(f"{law} {name}", report["parameters"]["coefficients"][name],
                  reference.params_[(scale, name)], absolute=1e-6)
            check(f"{law} error of {name}", report["standard_errors"]["coefficients"][name],
                  reference.standard_errors_[(scale, name)], 1e-3)
        spread_value = np.exp(reference.params_[(spread, "Intercept")])
        got = report["parameters"]["shape" if law == "weibull" else "sigma"]
        check(f"{law} spread", got, spread_value)
        check(f"{law} log likelihood", report["log_likelihood"], reference.log_likelihood_, 0, 1e-3)


def entry_ages():
    from lifelines import WeibullFitter

    frame = pd.read_csv(DATA / "left_truncation.csv")
    rows = [
        [r["entry"], r["time"], r["time"] if r["failed"] else ""]
        for r in frame.to_dict("records")
    ]
    report = lifetimes(rows, ["entry", "lower", "upper"], "--distribution", "weibull")
    reference = WeibullFitter().fit(frame["time"], frame["failed"], entry=frame["entry"])
    check("entry ages: shape", report["parameters"]["shape"], reference.rho_)
    check("entry ages: scale", report["parameters"]["scale"], reference.lambda_)


def interval_ends():
    from lifelines import WeibullFitter

    # The inspections of W. Nelson, Applied Life Data Analysis, 1982, p. 415.
    table = [(0, 186, 5), (186, 606, 16), (606, 902, 12), (902, 1077, 18), (1077, 1209, 18),
             (1209, 1377, 2), (1377, 1592, 6), (1592, 1932, 17), (1932, np.inf, 73)]
    rows = [["", a or "", "" if np.isinf(b) else b, n] for a, b, n in table]
    report = lifetimes(rows, ["entry", "lower", "upper", "weight"], "--distribution", "weibull")
    lower, upper, weights = (np.array(column, float) for column in zip(*table))
    reference = WeibullFitter().fit_interval_censoring(lower, upper, weights=weights)
    check("interval ends: shape", report["parameters"]["shape"], reference.rho_)
    check("interval ends: scale", report["parameters"]["scale"], reference.lambda_)


def shared_frailty():
    import surpyval

    frame = pd.read_csv(DATA / "kidney.csv")
    rows = right_censored(frame, "time", "status", "age", "female", "id")
    columns = ["entry", "lower", "upper", "age", "female", "id"]
    report = lifetimes(rows, columns, "--distribution", "weibull", "--covariates", "age,female",
                       "--form", "ph", "--frailty", "id")
    shipped = Path(surpyval.__file__).parent / "tests/reference/data/r_frailty.json"
    values = json.loads(shipped.read_text())["references"]
    # The log-normal frailty that R fitted to the same rows is another law; the two log likelihoods
    # lie within 1 of each other. The gamma frailty's own figure is R 4.3.3 optim's, as printed
    # there and by surpyval's WeibullFrailty.
    check("frailty: log likelihood near the log-normal one (R lme4)", report["log_likelihood"],
          values["kidney_lognormal_weibull"]["values"]["loglik"], 0, 1.0)
    check("frailty: log likelihood (R)", report["log_likelihood"], -332.1878, 0, 1e-3)
    check("frailty: variance", report["parameters"]["frailty_variance"], 0.5101897, 2e-4)
    check("frailty: p-value (R)", report["frailty_test"]["p_value"], 0.001562786, 2e-3)


def interval_frailty():
    """Intervals inside groups, as of parts found failed at a visit, several in a home.

    The engine sums the gamma frailty out in closed form over the corners of the intervals (K. Goethals
    et al., J. Agric. Biol. Environ. Stat. 14 (2009) 1-14). Here the same likelihood is integrated numerically
    (trapezoids on the logarithm of the frailty) and maximised by SciPy, over the kidney catheters (McGilchrist
    & Aisbett 1991) as somebody saw them who came every thirty days.
    """
    from scipy.optimize import minimize
    from scipy.special import gammaln

    frame = pd.read_csv(DATA / "kidney.csv")
    seen = np.floor(frame["time"] / 30.0) * 30.0
    failed = frame["status"].to_numpy() == 1
    lower = np.where(failed, seen, frame["time"])
    upper = np.where(failed, seen + 30.0, np.inf)
    rows = [
        ["", a or "", "" if np.isinf(b) else b, female, group]
        for a, b, female, group in zip(lower, upper, frame["female"], frame["id"])
    ]
    report = lifetimes(rows, ["entry", "lower", "upper", "female", "id"], "--distribution", "weibull",
                       "--covariates", "female", "--form", "ph", "--frailty", "id")
    female = frame["female"].to_numpy()
    log_frailty, step = np.linspace(-40.0, 6.0, 2000, retstep=True)
    frailty = np.exp(log_frailty)
    groups = [np.flatnonzero(frame["id"] == group) for group in frame["id"].unique()]

    def negative_log_likelihood(parameters):
        log_scale, log_shape, coefficient, log_variance = parameters
        variance = np.exp(log_variance)
        # Density of the logarithm of a gamma variable with mean 1.
        weights = np.exp((log_frailty - frailty) / variance - log_variance / variance
                         - gammaln(1.0 / variance)) * step

        def hazard(time):
            return np.exp(np.exp(log_shape) * (np.log(time) - log_scale) + coefficient * female)

        with np.errstate(divide="ignore"):
            begin, end = hazard(lower), hazard(upper)
        inside = np.exp(-np.outer(frailty, begin)) - np.exp(-np.outer(frailty, end))
        return -sum(np.log(weights @ inside[:, group].prod(axis=1)) for group in groups)

    start = np.array([np.log(100.0), 0.1, -1.0, np.log(0.5)])
    best = minimize(negative_log_likelihood, start, method="Nelder-Mead",
                    options={"xatol": 1e-7, "fatol": 1e-9, "maxiter": 4000})
    fitted = report["parameters"]
    got = [np.log(fitted["scale"]), np.log(fitted["shape"]), fitted["coefficients"]["female"],
           np.log(fitted["frailty_variance"])]
    check("intervals in groups: log likelihood", report["log_likelihood"], -best.fun, 0, 1e-4)
    for name, value, reference in zip(["scale", "shape", "coefficient", "variance"], got, best.x):
        check(f"intervals in groups: {name}", value, reference, 0, 1e-3)


def curves():
    from lifelines import KaplanMeierFitter, NelsonAalenFitter
    from statsmodels.duration.survfunc import SurvfuncRight

    frame = lung()
    rows = right_censored(frame, "time", "status")
    report = lifetimes(rows, ["entry", "lower", "upper"], command="curve")
    steps = pd.DataFrame(report["groups"][0]["steps"]).set_index("age")
    kaplan_meier = KaplanMeierFitter().fit(frame["time"], frame["status"])
    survival = kaplan_meier.survival_function_.iloc[:, 0]
    check("Kaplan-Meier", steps["survival"], survival.loc[steps.index], 1e-9)
    band = kaplan_meier.confidence_interval_.loc[steps.index].to_numpy()
    kept = steps["log_log_interval"].notna().to_numpy()
    got = np.array(steps["log_log_interval"][kept].tolist())
    check("log-log bands", got, band[kept], 1e-6)
    hazard = NelsonAalenFitter(nelson_aalen_smoothing=False).fit(frame["time"], frame["status"])
    check("Nelson-Aalen", steps["cumulative_hazard"],
          hazard.cumulative_hazard_.iloc[:, 0].loc[steps.index], 1e-9)
    other = SurvfuncRight(frame["time"], frame["status"])
    alive = steps["survival"] > 0
    errors = pd.Series(other.surv_prob_se, index=other.surv_times)
    check("Greenwood (statsmodels)", steps["standard_error"][alive],
          errors.loc[steps.index][alive], 1e-8)


def comparison():
    from lifelines.statistics import multivariate_logrank_test

    frame = lung()
    rows = right_censored(frame, "time", "status", "ph_ecog")
    report = lifetimes(rows, ["entry", "lower", "upper", "ecog"], "--group", "ecog",
                       command="compare")
    reference = multivariate_logrank_test(frame["time"], frame["ph_ecog"], frame["status"])
    check("log-rank chi-square", report["chi_square"], reference.test_statistic, 1e-7)
    check("log-rank p", report["p_value"], reference.p_value, 1e-6)


def refusals():
    """Bad input: status 2, line and column on standard error, nothing on standard output."""
    message = lifetimes([["", "three", 3]], ["entry", "lower", "upper"], "--distribution",
                        "weibull", status=2)
    if "line 2, column «lower»" not in message:
        FAILED.append("refusal names its place")
        print("  ", message)
    lifetimes([["", 3, ""], ["", 4, ""]], ["entry", "lower", "upper"], "--distribution", "weibull",
              status=2)


for part in (accelerated_life, entry_ages, interval_ends, shared_frailty, interval_frailty, curves,
             comparison, refusals):
    part()
if FAILED:
    sys.exit(f"reliability_reference: {len(FAILED)} of {COMPARED} disagree: {FAILED}")
print(f"   {COMPARED} comparisons agree")
