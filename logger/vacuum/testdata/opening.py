"""Pump-downs of manifold and tube through a stopcock that a hand opens, by scipy.

    Vm dpm/dt = C (pt - pm) - S(t) (pm - pf)    Vt dpt/dt = C (pm - pt)

with C = g (kv (pm + pt) / 2 + km) of a tubulation (physics.md 4.7: 5 mm x 100 mm
has 0.843 L/s at 1 mbar and 0.142 L/s molecular), solved by solve_ivp (LSODA).

Command:  /usr/bin/python3 opening.py > opening.json
"""
import json

import scipy
from scipy.integrate import solve_ivp

KV, KM = 8.43e-6, 1.42e-4
cases = []
for s, vm, vt, g, floor, opens, over in [
    (0.8e-3, 0.5e-3, 0.25e-3, 1.0, 2.0, 10.0, 5.0),
    (0.6e-3, 0.8e-3, 0.5e-3, 0.6, 3.0, 12.0, 8.0),
    (1.0e-3, 0.35e-3, 0.1e-3, 2.0, 1.0, 9.0, 4.0),
]:
    def slope(t, p):
        x = min(1.0, max(0.02, (t + 1.0) / opens))
        speed = s * (1 + over) * x * x / (1 + over * x * x)
        c = g * (KV * (p[0] + p[1]) / 2 + KM)
        return [(c * (p[1] - p[0]) - speed * (p[0] - floor)) / vm, c * (p[0] - p[1]) / vt]

    times = [0.5 * i for i in range(80)]
    y = solve_ivp(slope, (0, 40), [101325.0, 101325.0], method="LSODA", t_eval=times, rtol=1e-8, atol=1e-6).y[0]
    cases.append({"speed": s, "manifold": vm, "tube": vt, "points": [[t, p] for t, p in zip(times, y) if 40 <= p <= 2666]})
print(json.dumps({"scipy": scipy.__version__, "cases": cases}))
