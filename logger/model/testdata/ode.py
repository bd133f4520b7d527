"""The model's equations of logger/model written down once more, from the
handbook and the comments in bench.go, and solved by scipy's solve_ivp.

Command (scipy 1.10.1):  /usr/bin/python3 ode.py > ode.json
"""
import json
import math

import numpy as np
from scipy.integrate import solve_ivp

TORR = 101325 / 760
SIGMA = 5.670374419e-8

CASES = [
    # outside, bore, length, heat capacity, shell mass, shell area, room, constants, current, pump, air
    dict(name="bombard in the shut tube", od=15e-3, bore=12.8e-3, length=1.8, cap=193.0, ms=6e-3, ash=20e-4, room=22.0,
         heat=135.0, np=0.7, ni=0.85, nb=-0.6, h=8.0, lag=3.0, k=0.11, warm=1.0, vm=0.5e-3,
         current=0.4, pump=0.0, air=0.0, p0=2.0, wall=0.03),
    dict(name="shells on the throttled pump", od=12e-3, bore=10e-3, length=0.6, cap=60.0, ms=4e-3, ash=13e-4, room=15.0,
         heat=180.0, np=0.55, ni=0.8, nb=-0.4, h=10.0, lag=1.5, k=0.15, warm=1.2, vm=0.3e-3,
         current=0.5, pump=2e-5, air=1e-3, p0=1.0, wall=0.01),
    dict(name="cooling on the pump", od=20e-3, bore=17.6e-3, length=2.2, cap=290.0, ms=8e-3, ash=27e-4, room=30.0,
         heat=135.0, np=0.7, ni=0.85, nb=-0.6, h=6.0, lag=5.0, k=0.11, warm=1.0, vm=0.8e-3,
         current=0.0, pump=1e-4, air=0.0, p0=2.0, wall=0.05, glass0=230.0, shell0=950.0),
]


def solve(c):
    vt = math.pi / 4 * c["bore"] ** 2 * c["length"]
    area = math.pi * c["od"] * c["length"]

    def column(p):
        if c["current"] < 0.005:
            return 0.0
        return (c["heat"] * c["length"] * (c["bore"] / 12.8e-3) ** c["nb"]
                * (p / TORR) ** c["np"] * (c["current"] / 0.3) ** c["ni"])

    def pressure(amount, glass):
        hot = glass + 273.15
        hot += min(1200, column(amount / (vt + c["vm"])) / 0.75 / c["length"] / (8 * math.pi * 0.045))
        return amount / (c["vm"] + vt * 293.15 / hot)

    def slope(_, y):
        glass, read, shell, amount, wall = y
        p = pressure(amount, glass)
        k4 = lambda t: (t + 273.15) ** 4
        loss = area * (c["h"] * (glass - c["room"]) + 0.88 * SIGMA * (k4(glass) - k4(c["room"])))
        heat = -0.6 * SIGMA * c["ash"] * (k4(shell) - k4(glass))
        if c["current"] > 0.005:
            pt = max(p / TORR, 0.05)
            fall = 269 * (1 + c["k"] * math.sqrt(c["current"] / (3 * pt * pt * c["ash"])))
            heat += 0.5 * c["current"] * fall * 0.85
        leaves = min(0.5, 2e8 * math.exp(-80e3 / (8.31446 * (glass + 273.15)))) * wall
        return [(column(p) - loss) / c["cap"], (glass - read) / c["lag"], heat / (c["ms"] * 600 * c["warm"]),
                leaves + c["air"] - c["pump"] * p, -leaves]

    g = c.get("glass0", c["room"])
    y0 = [g, g, c.get("shell0", c["room"]), c["p0"] * TORR * (vt + c["vm"]), c["wall"]]
    t = np.arange(0, 121, 10.0)
    s = solve_ivp(slope, (0, 120), y0, method="DOP853", t_eval=t, rtol=1e-10, atol=1e-12)
    assert s.success
    return dict(case=c, t=t.tolist(), y=[[float(x) for x in col] for col in s.y.T])


print(json.dumps([solve(c) for c in CASES], indent=1))
