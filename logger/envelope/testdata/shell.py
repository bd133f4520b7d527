"""Writes shell.json: how long an electrode's shell takes from 22 °C to 900 °C, by
scipy's solve_ivp (DOP853, rtol 1e-10) with an event at 900 °C, for

    m c dT/dt = P - eps sigma A (T^4 - T_glass^4),
    P = I/2 V (1 + k sqrt(I / (j p^2 A))) kappa

with the constants of ../tables/constant.csv. null: it never gets there.

    /usr/bin/python3 logger/envelope/testdata/shell.py

Debian 12: apt-get install python3-scipy.
"""
import json
import os
import numpy as np
import scipy
from scipy.integrate import solve_ivp

C, EPS, K, J, V, KAPPA = 620.0, 0.6, 0.11, 3.0, 269.0, 0.85
SIGMA, ZERO = 5.670374419e-8, 273.15


def seconds(area, mass, amps, torr, glass):
    p = amps / 2 * V * (1 + K * np.sqrt(amps / (J * torr**2 * area))) * KAPPA

    def f(_, t):
        return [(p - EPS * SIGMA * area * ((t[0] + ZERO) ** 4 - (glass + ZERO) ** 4)) / (mass * C)]

    def bright(_, t):
        return t[0] - 900

    bright.terminal = True
    s = solve_ivp(f, (0, 3600), [22.0], method="DOP853", rtol=1e-10, atol=1e-8, events=bright)
    return float(s.t_events[0][0]) if len(s.t_events[0]) else None


cases = []
for area, mass, amps, torr, glass in [
    (13e-4, 3.9e-3, 0.42, 0.87, 180), (13e-4, 3.9e-3, 0.5, 0.5, 200), (20e-4, 6e-3, 0.58, 0.79, 190),
    (20e-4, 6e-3, 0.7, 1.2, 190), (27e-4, 8e-3, 0.9, 0.7, 200), (20e-4, 6e-3, 0.3, 1.5, 200),
]:
    cases.append({"area": area, "mass": mass, "amps": amps, "torr": torr, "glass": glass,
                  "seconds": seconds(area, mass, amps, torr, glass)})
with open(os.path.join(os.path.dirname(__file__), "shell.json"), "w") as f:
    json.dump({"made_by": "scipy " + scipy.__version__, "cases": cases}, f, indent=1)
    f.write("\n")
