"""Prints `name,value` lines: what lifelines, statsmodels, mpmath and scipy make of the data sets in the current folder."""

import warnings

import mpmath as mp
import numpy as np
import pandas as pd
from lifelines import AalenJohansenFitter, CoxPHFitter, CoxTimeVaryingFitter, KaplanMeierFitter
from lifelines.statistics import multivariate_logrank_test, proportional_hazard_test
from scipy import stats
from statsmodels.duration.hazard_regression import PHReg

warnings.filterwarnings("ignore")
print("name,value")


def out(name, value):
    print(f"{name},{float(value)!r}")


# Garwood's limits: roots of the Poisson tails, at 50 digits.
mp.mp.dps = 50
for n in [0, 1, 2, 5, 10, 31, 100, 1000]:
    tail = mp.mpf(1) / 40
    upper = lambda s, x: mp.gammainc(s, x, regularized=True)  # Q(s, x): P(Poisson(x) < s)
    start = n + 1
    if n:
        low = mp.findroot(lambda x: 1 - upper(n, x) - tail, (n - 2 * n**0.5 + 0.3 if n > 4 else 0.05 * n, n), solver="anderson")
        out(f"mpmath/garwood/{n}/low", low)
    high = mp.findroot(lambda x: upper(n + 1, x) - tail, (n + 2 * start**0.5, n + 2 * start**0.5 + 3), solver="anderson")
    out(f"mpmath/garwood/{n}/high", high)

# Ratio of two rates: exact binomial, by scipy.
for (a, b, s, t) in [(12, 5, 300.0, 250.0), (31, 4, 4210.0, 1800.0), (1, 9, 50.0, 60.0)]:
    name = f"scipy/rate_ratio/{a}-{b}-{s:g}-{t:g}"
    ci = stats.binomtest(a, a + b).proportion_ci(method="exact")
    out(f"{name}/low", ci.low / (1 - ci.low) * t / s)
    out(f"{name}/high", ci.high / (1 - ci.high) * t / s)
    share = s / (s + t)
    p = 2 * min(stats.binom.cdf(a, a + b, share), stats.binom.sf(a - 1, a + b, share))
    out(f"{name}/p", min(1.0, p))

# Survival curves: remission of leukaemia by treatment; AIDS with delayed entry.
leukaemia = pd.read_csv("leukaemia.csv")
for arm in [0, 1]:
    rows = leukaemia[leukaemia.Rx == arm]
    km = KaplanMeierFitter().fit(rows.t, rows.status)
    for time in sorted(rows.t[rows.status == 1].unique()):
        ci = km.confidence_interval_survival_function_.loc[time]
        out(f"lifelines/km/leukaemia/{arm}/{time}/survival", km.survival_function_.loc[time].iloc[0])
        out(f"lifelines/km/leukaemia/{arm}/{time}/low", ci.iloc[0])
        out(f"lifelines/km/leukaemia/{arm}/{time}/high", ci.iloc[1])
    out(f"lifelines/km/leukaemia/{arm}/median", km.median_survival_time_)
test = multivariate_logrank_test(leukaemia.t, leukaemia.Rx, leukaemia.status)
out("lifelines/logrank/leukaemia/chi2", test.test_statistic)
out("lifelines/logrank/leukaemia/p", test.p_value)

aids = pd.read_csv("aids.csv")
km = KaplanMeierFitter().fit(aids["T"], aids["D"], entry=aids["W"])
for time in sorted(aids["T"][aids["D"] == 1].unique()):
    ci = km.confidence_interval_survival_function_.loc[time]
    out(f"lifelines/km/aids/{time}/survival", km.survival_function_.loc[time].iloc[0])
    out(f"lifelines/km/aids/{time}/low", ci.iloc[0])
    out(f"lifelines/km/aids/{time}/high", ci.iloc[1])

# Cox: recidivism (ties), heart transplants (time-varying), AIDS (delayed entry).
rossi = pd.read_csv("rossi.csv")
fit = CoxPHFitter().fit(rossi, "week", "arrest", fit_options={"precision": 1e-10})
names = ["fin", "age", "race", "wexp", "mar", "paro", "prio"]
for name in names:
    out(f"lifelines/cox/rossi/{name}/coef", fit.params_[name])
    out(f"lifelines/cox/rossi/{name}/se", fit.standard_errors_[name])
out("lifelines/cox/rossi/log_likelihood", fit.log_likelihood_)
for transform in ["identity", "log"]:
    test = proportional_hazard_test(fit, rossi, time_transform=transform)
    for name, statistic in zip(test.name, test.test_statistic):
        out(f"lifelines/ph/rossi/{transform}/{name}/chi2", statistic)
fit = CoxPHFitter().fit(rossi, "week", "arrest", strata=["wexp"], fit_options={"precision": 1e-10})
for name in [n for n in names if n != "wexp"]:
    out(f"lifelines/cox/rossi-by-wexp/{name}/coef", fit.params_[name])
    out(f"lifelines/cox/rossi-by-wexp/{name}/se", fit.standard_errors_[name])

heart = pd.read_csv("heart.csv")
fit = CoxTimeVaryingFitter().fit(
    heart, id_col="id", event_col="event", start_col="start", stop_col="stop", fit_options={"precision": 1e-10}
)
for name in ["age", "year", "surgery", "transplant"]:
    out(f"lifelines/cox/heart/{name}/coef", fit.params_[name])
    out(f"lifelines/cox/heart/{name}/se", fit.standard_errors_[name])
out("lifelines/cox/heart/log_likelihood", fit.log_likelihood_)

fit = CoxPHFitter().fit(aids, "T", "D", entry_col="W", fit_options={"precision": 1e-10})
out("lifelines/cox/aids/AIDSY/coef", fit.params_["AIDSY"])
out("lifelines/cox/aids/AIDSY/se", fit.standard_errors_["AIDSY"])
model = PHReg(aids["T"], aids[["AIDSY"]], status=aids["D"], entry=aids["W"], ties="efron").fit()
out("statsmodels/cox/aids/AIDSY/coef", model.params[0])
out("statsmodels/cox/aids/AIDSY/se", model.bse[0])

# Variance of the cumulative incidence. lifelines moves tied times of different causes at random, so each exit is kept
# once; it also counts who enters at a time as at risk at it, so entries that equal an exit are dropped.
mgus = pd.read_csv("mgus.csv").drop_duplicates("exit")
mgus = mgus[~mgus.entry.isin(set(mgus.exit))]
out("lifelines/incidence/mgus/rows", len(mgus))
for cause in [1, 2]:
    fit = AalenJohansenFitter().fit(mgus.exit, mgus.cause, cause, entry=mgus.entry)
    for age in [60, 70, 80]:
        time = fit.cumulative_density_.index[fit.cumulative_density_.index <= age * 12].max()
        name = f"lifelines/incidence/mgus/{cause}/{age}"
        out(f"{name}/value", fit.cumulative_density_.loc[time].iloc[0])
        out(f"{name}/variance", fit.variance_.loc[time])
