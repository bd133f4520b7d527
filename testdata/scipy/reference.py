"""Reference numbers by numpy and scipy, independent of the Go code.

Writes reference.json beside itself. See README.
"""

import json
import os
import sys

import numpy as np
import scipy
from scipy.integrate import quad
from scipy.interpolate import PchipInterpolator
from scipy.optimize import curve_fit

rng = np.random.default_rng(20260101)


def rms_cases():
    """Sampled waves over whole cycles: RMS of the samples about their mean."""
    cases = []

    def add(name, rate, hz, f):
        n = int(0.5 * rate)
        t = np.arange(n) / rate
        x = 1.65 + f(2 * np.pi * hz * t)
        # The whole cycles of the last 10: an integer number of samples.
        k = int(round(10 * rate / hz))
        assert abs(k * hz / rate - 10) < 1e-12
        w = x[-k:]
        cases.append(
            {
                "name": name,
                "rate": rate,
                "frequency": hz,
                "samples": [round(float(v), 7) for v in x],
                "rms": float(np.sqrt(np.mean((w - np.mean(w)) ** 2))),
            }
        )

    add("sine", 4000, 50, lambda p: 0.8 * np.sin(p + 0.1))
    add("sine 860", 860, 50, lambda p: 0.8 * np.sin(p + 0.1))
    add("harmonics", 4000, 50, lambda p: np.sqrt(2) * 0.1
        * (10 * np.sin(p) + 3 * np.sin(3 * p + 0.7) + 2 * np.sin(5 * p - 1)))
    add("harmonics 860", 860, 50, lambda p: np.sin(p) + 0.2 * np.sin(3 * p + 2))
    noise = rng.normal(0, 0.01, 2000)
    add("noisy sine", 4000, 50, lambda p: np.sin(p) + noise)
    # A restrike of finite slope: a sine with a smooth notch after each zero.
    add("notch", 4000, 50, lambda p: np.sin(p) * (0.5 + 0.5 * np.tanh((np.abs(np.sin(p)) - 0.4) / 0.15)))
    return cases


def cut_cases():
    """Phase-cut sines of peak 1: RMS by adaptive quadrature."""
    out = []
    for alpha in range(0, 180, 15):
        a = np.radians(alpha)
        v, _ = quad(lambda x: np.sin(x) ** 2, a, np.pi, epsabs=1e-14)
        out.append({"alpha": alpha, "rms": float(np.sqrt(v / np.pi))})
    return out


def tables():
    """Gauge tables, interpolated in the logarithm of pressure over that of volts."""
    rows = {
        "knee": [[0.37, 0.1], [0.4, 1], [0.55, 10], [1.6, 100], [4, 1000]],
        "falling": [[0.5, 2e4], [0.9, 4000], [1.4, 900], [2.5, 110], [4.6, 12], [7.0, 2]],
        "power": [[0.1, 3], [0.3, 40], [0.5, 90], [1.0, 500], [2.0, 1800], [5.0, 1.3e4], [9.0, 4.5e4]],
    }
    out = []
    for name, r in rows.items():
        r = np.array(r)
        curve = PchipInterpolator(np.log(r[:, 0]), np.log(r[:, 1]))
        v = np.exp(np.linspace(np.log(r[0, 0]), np.log(r[-1, 0]), 41))[1:-1]
        out.append({
            "name": name,
            "rows": r.tolist(),
            "volts": v.tolist(),
            "pa": np.exp(curve(np.log(v))).tolist(),
            "slope": (np.exp(curve(np.log(v))) * curve(np.log(v), 1) / v).tolist(),
        })
    return out


def fits():
    """Weighted least squares, y = a + b x (+ c x²), with absolute sigmas."""
    out = []
    for name, deg, x in (
        ("line", 1, np.array([0.2, 25.1, 50.3, 74.8, 99.6, 150.2, 201.0])),
        ("parabola", 2, np.array([-0.1, 40.0, 80.5, 120.2, 161.1, 199.3, 240.7, 280.1])),
    ):
        u = 0.1 + 0.002 * np.abs(x)
        y = np.round(0.4 + 1.004 * x + (2e-5 * x**2 if deg == 2 else 0) + rng.normal(0, 0.6 * u), 4)
        f = (lambda x, a, b: a + b * x) if deg == 1 else (lambda x, a, b, c: a + b * x + c * x * x)
        p0 = [0, 1, 0][: deg + 1]
        p, cov = curve_fit(f, x, y, p0=p0, sigma=u, absolute_sigma=True, xtol=1e-15, ftol=1e-15)
        out.append({
            "name": name,
            "x": x.tolist(), "y": y.tolist(), "u": u.tolist(),
            "coefficients": p.tolist(), "covariance": cov.tolist(),
        })
    return out


def main():
    path = os.path.join(os.path.dirname(os.path.abspath(__file__)), "reference.json")
    with open(path, "w") as f:
        json.dump({
            "made_by": f"python {sys.version.split()[0]}, numpy {np.__version__}, scipy {scipy.__version__}",
            "rms": rms_cases(), "phase_cut": cut_cases(), "tables": tables(), "fits": fits(),
        }, f, separators=(",", ":"))
        f.write("\n")


main()
