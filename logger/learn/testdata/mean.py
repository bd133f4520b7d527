"""What mean.go and hold.go compute, written down once more with numpy and scipy.

The random-effects mean after Paule and Mandel (J. Res. Natl. Bur. Stand. 87
(1982) 377): the variance between runs is the root of

    sum((x - mean)^2 / (u^2 + t2)) - (n - 1)

found by scipy's brentq; runs more than four robust standard deviations (1.4826
MAD, or the run's own with the usual scatter) from the median are left out first.
The pressure up to which the arc holds is Bayes' rule, its mean and standard
deviation integrated by scipy's quad.

Command:  /usr/bin/python3 mean.py > mean.json
"""
import json
import math

import numpy as np
import scipy
from scipy.integrate import quad
from scipy.optimize import brentq
from scipy.stats import norm


def mean(x, u, usual):
    x, u = np.array(x), np.array(u)
    off = np.abs(x - np.median(x))
    mad = 1.4826 * np.median(off)
    if len(x) < 5:
        mad = max(mad, usual)
    out = (off > 4 * np.maximum(mad, np.hypot(u, usual))) & (len(x) > 2)
    a, v = x[~out], u[~out] ** 2

    def excess(t2):
        w = 1 / (v + t2)
        m = np.sum(w * a) / np.sum(w)
        return np.sum(w * (a - m) ** 2) - (len(a) - 1)

    t2 = 0.0
    if len(a) > 1 and excess(0) > 0:
        t2 = brentq(excess, 0, 100 * np.var(a) + 1, xtol=1e-15, rtol=1e-12)
    if len(x) < 5:
        t2 = max(t2, usual**2)
    w = 1 / (v + t2)
    return dict(x=x.tolist(), u=u.tolist(), usual=usual, mean=float(np.sum(w * a) / np.sum(w)), su=float(np.sum(w) ** -0.5),
                tau=math.sqrt(t2), out=out.tolist())


def hold(held, lost, prior, prior_u, soft=0.15, mistaken=0.05):
    h = sorted(held)[-2:-1]
    low = sorted(lost)[1:2] if len(lost) > 1 else lost

    def p(x):
        d = norm.pdf(x, prior, prior_u)
        for a in h:
            d *= norm.cdf((x - math.log(a)) / soft)
        for a in low:
            d *= mistaken + (1 - mistaken) * norm.cdf((math.log(a) - x) / soft)
        return d

    lo, hi = prior - 6 * prior_u, prior + 6 * prior_u
    at = sorted(math.log(a) for a in h + low)
    q = lambda f: quad(f, lo, hi, points=at, limit=500, epsabs=0, epsrel=1e-10)[0]
    n = q(p)
    m = q(lambda x: x * p(x)) / n
    s = math.sqrt(q(lambda x: (x - m) ** 2 * p(x)) / n)
    return dict(held=held, lost=lost, prior=prior, prior_u=prior_u, log=m, u=s)


r = np.random.default_rng(7)
means = []
for n, scatter, usual in [(1, 0, 0.05), (2, 0.02, 0.05), (4, 0.3, 0.05), (6, 0.0, 0.05), (12, 0.1, 0.05), (41, 0.05, 0.02)]:
    u = 0.02 + 0.05 * r.random(n)
    x = 3 + scatter * r.standard_normal(n) + u * r.standard_normal(n)
    means.append(mean(x.tolist(), u.tolist(), usual))
    if n >= 6:
        x[n // 2] += 2.5  # a broken run
        means.append(mean(x.tolist(), u.tolist(), usual))
holds = [
    hold([700.0], [], math.log(900), 0.5),
    hold([700.0, 820.0, 1200.0], [], math.log(900), 0.5),
    hold([700.0, 820.0, 1200.0], [1300.0, 1350.0], math.log(900), 0.5),
    hold([900.0, 1000.0, 1000.0], [400.0], math.log(900), 0.4),
]
print(json.dumps(dict(numpy=np.__version__, scipy=scipy.__version__, means=means, holds=holds), indent=1))
