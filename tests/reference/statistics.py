"""Trends by the reference libraries: SciPy, pymannkendall and plain NumPy matrices. JSON in, JSON out."""

import json
import math
import sys
import warnings

import numpy as np
import pymannkendall
from scipy import stats


def of_series(points, levels):
    x = [p[0] for p in points]
    y = [p[1] for p in points]
    test = pymannkendall.original_test(y)
    return {
        "theil_sen": [[float(v) for v in stats.theilslopes(y, x, level)] for level in levels],
        "mann_kendall": [float(test.s), float(test.var_s), float(test.z), float(test.p)],
        "median": float(np.median(y)),
    }


def of_filter(tau, readings):
    """The damped local linear trend as matrices, without the gate. Noise as in the module `kalman` of the rules."""
    slope_noise, level_noise, reading_noise = 0.01, 0.001, 0.15
    h = np.array([[1.0, 0.0]])
    at, value = readings[0]
    x, p = np.array([value, 0.0]), np.eye(2)
    states = []
    for now, value in readings[1:]:
        d = (now - at) / 3_600_000.0
        at = now
        f = np.array([[1.0, tau * (1.0 - math.exp(-d / tau))], [0.0, math.exp(-d / tau)]])
        q = np.array(
            [
                [level_noise * d + slope_noise * d**3 / 3.0, slope_noise * d**2 / 2.0],
                [slope_noise * d**2 / 2.0, slope_noise * d],
            ]
        )
        x, p = f @ x, f @ p @ f.T + q
        s = h @ p @ h.T + reading_noise
        k = p @ h.T @ np.linalg.inv(s)
        x = x + k @ (np.array([value]) - h @ x)
        # Joseph's form: another way to write the same covariance.
        i = np.eye(2) - k @ h
        p = i @ p @ i.T + reading_noise * (k @ k.T)
        states.append([float(x[0]), float(x[1])])
    return states


def main():
    warnings.simplefilter("ignore")
    asked = json.load(sys.stdin)
    if "series" in asked:
        answer = [of_series(points, asked["levels"]) for points in asked["series"]]
    elif "filters" in asked:
        answer = {"filters": [of_filter(tau, readings) for tau, readings in asked["filters"]]}
    else:
        answer = {
            "cdf": [float(v) for v in stats.norm.cdf(asked["z"])],
            "ppf": [float(v) for v in stats.norm.ppf(asked["p"])],
        }
    json.dump(answer, sys.stdout)


main()
