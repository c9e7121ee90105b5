"""Figures of numpy, scipy and statsmodels against which the package is tested. Run with Debian's python3-numpy, python3-scipy and
python3-statsmodels: python3 reference.py > reference.json. Random numbers have a fixed seed."""
import json

import numpy as np
import scipy
import statsmodels
import statsmodels.api as sm
from scipy import optimize, stats
from statsmodels.stats.multitest import multipletests

rng = np.random.default_rng(20261)
out = {"made_with": f"numpy {np.__version__}, scipy {scipy.__version__}, statsmodels {statsmodels.__version__}"}

out["quantiles"] = [
    {"p": p, "nu": nu, "student": stats.t.ppf(p, nu), "above": stats.t.sf(stats.t.ppf(p, nu), nu)}
    for p in (0.001, 0.05, 0.5, 0.95, 0.975, 0.999) for nu in (1, 3.7, 12, 200)
]
out["several"] = []
for m in (1, 8, 20, 40):
    p = rng.uniform(0, 1, m) ** rng.uniform(1, 6)
    out["several"].append({"p": p.tolist(), "signal": multipletests(p, 0.05, "fdr_bh")[0].tolist()})
out["trimmed"] = []
for n in (1, 10, 40):  # equal weights, a tenth of which is a whole number: scipy's own; other weights: every value many times
    x = rng.normal(0, 1, n)
    out["trimmed"].append({"x": x.tolist(), "w": [2.5] * n, "cut": 0.1, "mean": stats.trim_mean(x, 0.1) if n > 1 else x[0]})
    w = rng.integers(1, 9, n) * 10
    long = np.repeat(x, w)
    out["trimmed"].append({"x": x.tolist(), "w": w.astype(float).tolist(), "cut": 0.1, "mean": stats.trim_mean(long, 0.1)})
out["trimmed_variance"] = []
for cut in (0.05, 0.1, 0.25):
    c = stats.norm.ppf(1 - cut)
    square = scipy.integrate.quad(lambda z: min(abs(z), c) ** 2 * stats.norm.pdf(z), -12, 12, limit=400, points=[-c, c])[0]
    out["trimmed_variance"].append({"cut": cut, "factor": square / (1 - 2 * cut) ** 2})
out["fits"] = []
for n, k in ((3, 1), (6, 1), (6, 2), (12, 2), (24, 3)):
    x = np.column_stack([rng.uniform(50, 400, n), rng.uniform(20, 40, n), rng.normal(0, 1, n)][:k])
    count = rng.uniform(0.2, 9, n + 1)
    diag = count[:-1] + count[1:] + rng.uniform(0.1, 8, n)
    off = -count[1:-1]
    v = np.diag(diag) + np.diag(off, 1) + np.diag(off, -1)
    y = x @ rng.uniform(0.5, 2, k) + np.linalg.cholesky(v) @ rng.normal(0, 1, n)
    fit = sm.GLS(y, x, sigma=v).fit()
    root = np.linalg.inv(np.linalg.cholesky(v))
    white = root @ x
    resid = root @ (y - x @ fit.params)
    out["fits"].append({
        "y": y.tolist(), "x": x.T.tolist(), "diag": diag.tolist(), "off": off.tolist(),
        "coef": fit.params.tolist(), "cov": np.atleast_2d(fit.normalized_cov_params).tolist(),
        "chi2": float(resid @ resid), "log_det": float(np.linalg.slogdet(v)[1]),
        "condition": float(np.linalg.cond(white / np.linalg.norm(white, axis=0))),
    })
out["spread"] = []
c = 2.0
kappa = scipy.integrate.quad(lambda z: min(abs(z), c) ** 2 * stats.norm.pdf(z), -12, 12, limit=400, points=[-c, c])[0]
for n, n0, true in ((5, 2.0, 0.02), (60, 2.0, 0.05), (200, 4.0, 0.008)):
    known, squares = rng.uniform(0.1, 4, n), rng.uniform(20, 900, n)
    off = rng.normal(0, np.sqrt(known + true * squares))
    off[0] *= 20
    weight = rng.uniform(0.5, 1, n)

    def equation(log):
        phi = np.exp(log)
        v = known + phi * squares
        return np.sum(weight * phi * squares / v * (np.minimum(off**2 / v, c * c) / kappa - 1)) + n0 * (0.02 / phi - 1)

    phi = float(np.exp(optimize.brentq(equation, -12, 5, xtol=1e-13)))
    out["spread"].append({"off": off.tolist(), "known": known.tolist(), "squares": squares.tolist(), "weight": weight.tolist(), "start": 0.02, "n0": n0, "phi": phi})
print(json.dumps(out, indent=1))
