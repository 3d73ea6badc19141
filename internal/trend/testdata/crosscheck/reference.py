"""Answers of statsmodels and scipy to the problems given on standard input."""
import json
import sys

import numpy as np
import statsmodels.api as sm
from scipy.stats import theilslopes
from statsmodels.tsa.statespace.kalman_filter import KalmanFilter
from statsmodels.tsa.statespace.structural import UnobservedComponents


def structural(p):
    """Local level or local linear trend, exact diffuse start (Koopman 1997)."""
    y = np.array([np.nan if v is None else v for v in p["y"]])
    model = UnobservedComponents(y, p["model"], use_exact_diffuse=True)
    model.ssm.tolerance = 0  # every step computed, none taken from a steady state
    r = model.smooth(p["variances"])
    f = r.filter_results
    return {
        "logL": r.llf,
        "filtered": f.filtered_state.T.tolist(),
        "covariance": f.filtered_state_cov.transpose(2, 0, 1).tolist(),
        "predicted": f.predicted_state[:, -1].tolist(),
    }


def linear(p):
    """Any linear Gaussian model with time-varying design and noise, known start."""
    y = np.array(p["y"])
    n = len(y)
    kf = KalmanFilter(k_endog=1, k_states=4)
    kf.bind(y[:, None])
    kf["design"] = np.ascontiguousarray(np.array(p["h"]).T[None])
    kf["obs_cov"] = np.ascontiguousarray(np.array(p["noise"])[None, None])
    kf["transition"] = np.array(p["f"])
    kf["selection"] = np.eye(4)
    kf["state_cov"] = np.array(p["q"])
    kf.tolerance = 0
    kf.initialize_known(np.array(p["mean"]), np.array(p["cov"]))
    r = kf.filter()
    return {
        "logL": float(r.llf),
        "filtered": r.filtered_state.T.tolist(),
        "covariance": r.filtered_state_cov.transpose(2, 0, 1).tolist(),
        "predicted": r.predicted_state[:, n].tolist(),
    }


def sen(p):
    slope, intercept, low, top = theilslopes(p["y"], p["x"], alpha=1 - p["alpha"])
    return {"slope": slope, "intercept": intercept, "low": low, "top": top}


def ols(p):
    r = sm.OLS(np.array(p["y"]), np.array(p["rows"])).fit()
    return {"coef": r.params.tolist(), "se": r.bse.tolist(), "sd": float(np.sqrt(r.mse_resid))}


problems = json.load(sys.stdin)
answer = {"structural": structural, "linear": linear, "sen": sen, "ols": ols}
json.dump({kind: [answer[kind](p) for p in some] for kind, some in problems.items()}, sys.stdout)
