# Prints `name,value` lines: what R's survival and glm make of the data sets in the current folder.
suppressMessages(library(survival))
cat("name,value\n")
out <- function(name, value) cat(sprintf("%s,%.17g\n", name, value))
control <- coxph.control(eps = 1e-13, iter.max = 50, toler.chol = 1e-14)

leukaemia <- read.csv("leukaemia.csv")
curve <- survfit(Surv(t, status) ~ Rx, leukaemia, conf.type = "log-log")
medians <- quantile(curve, 0.5)
for (arm in 1:2) {
  out(sprintf("r/km/leukaemia/%d/median", arm - 1), medians$quantile[arm])
  out(sprintf("r/km/leukaemia/%d/median_low", arm - 1), medians$lower[arm])
}
test <- survdiff(Surv(t, status) ~ Rx, leukaemia)
out("r/logrank/leukaemia/chi2", test$chisq)
for (arm in 1:2) out(sprintf("r/logrank/leukaemia/expected/%d", arm - 1), test$exp[arm])

rossi <- read.csv("rossi.csv")
rossi$prior <- pmin(rossi$prio, 3)
test <- survdiff(Surv(week, arrest) ~ prior, rossi)
out("r/logrank/rossi-by-prior/chi2", test$chisq)

fit <- coxph(Surv(week, arrest) ~ fin + age + race + wexp + mar + paro + prio, rossi, ties = "efron", control = control)
for (name in names(coef(fit))) {
  out(sprintf("r/cox/rossi/%s/coef", name), coef(fit)[name])
  out(sprintf("r/cox/rossi/%s/se", name), sqrt(vcov(fit)[name, name]))
}
out("r/cox/rossi/log_likelihood", fit$loglik[2])
out("r/cox/rossi/null_log_likelihood", fit$loglik[1])
out("r/cox/rossi/score", fit$score)
residuals <- residuals(fit, "schoenfeld")
for (name in colnames(residuals)) out(sprintf("r/schoenfeld/rossi/%s/sum_of_squares", name), sum(residuals[, name]^2))
fit <- coxph(Surv(week, arrest) ~ fin + age + race + mar + paro + prio + strata(wexp), rossi, ties = "efron", control = control)
for (name in names(coef(fit))) {
  out(sprintf("r/cox/rossi-by-wexp/%s/coef", name), coef(fit)[name])
  out(sprintf("r/cox/rossi-by-wexp/%s/se", name), sqrt(vcov(fit)[name, name]))
}
# Clusters that mean nothing, but tie rows together, with many tied weeks.
rossi$cluster <- (seq_len(nrow(rossi)) - 1) %% 40
fit <- coxph(Surv(week, arrest) ~ fin + age + prio, rossi, cluster = cluster, ties = "efron", control = control)
for (name in names(coef(fit))) out(sprintf("r/cox/rossi-clustered/%s/robust_se", name), sqrt(vcov(fit)[name, name]))

heart <- read.csv("heart.csv")
fit <- coxph(Surv(start, stop, event) ~ age + year + surgery + transplant, heart, cluster = id, ties = "efron", control = control)
for (name in names(coef(fit))) {
  out(sprintf("r/cox/heart/%s/coef", name), coef(fit)[name])
  out(sprintf("r/cox/heart/%s/se", name), sqrt(fit$naive.var[match(name, names(coef(fit))), match(name, names(coef(fit)))]))
  out(sprintf("r/cox/heart/%s/robust_se", name), sqrt(vcov(fit)[name, name]))
}
out("r/cox/heart/log_likelihood", fit$loglik[2])
fit <- coxph(Surv(start, stop, event) ~ age + transplant + strata(surgery), heart, cluster = id, ties = "efron", control = control)
for (name in names(coef(fit))) out(sprintf("r/cox/heart-by-surgery/%s/robust_se", name), sqrt(vcov(fit)[name, name]))

aids <- read.csv("aids.csv")
fit <- coxph(Surv(W, T, D) ~ AIDSY, aids, ties = "efron", control = control)
out("r/cox/aids/AIDSY/coef", coef(fit))
out("r/cox/aids/AIDSY/se", sqrt(vcov(fit)))

# survdiff takes no delayed entry; without tied events the score test of one covariate is the log-rank test.
untied <- aids[!duplicated(aids$T), ]
fit <- coxph(Surv(W, T, D) ~ I(AIDSY < 1994.8), untied, ties = "breslow", control = control)
out("r/logrank/aids/chi2", fit$score)

mgus <- read.csv("mgus.csv")
mgus$id <- seq_len(nrow(mgus))
curve <- survfit(Surv(entry, exit, factor(cause, 0:2, c("censored", "malignancy", "death"))) ~ 1, mgus, id = id)
for (age in c(50, 60, 70, 80, 90)) {
  at <- summary(curve, times = age * 12)
  out(sprintf("r/incidence/mgus/%d/malignancy", age), at$pstate[2])
  out(sprintf("r/incidence/mgus/%d/death", age), at$pstate[3])
}

one_case <- read.csv("infert.csv")
fit <- clogit(case ~ spontaneous + induced + strata(stratum), one_case, method = "efron", control = control)
for (name in names(coef(fit))) {
  out(sprintf("r/clogit/infert/%s/coef", name), coef(fit)[name])
  out(sprintf("r/clogit/infert/%s/se", name), sqrt(vcov(fit)[name, name]))
}

breaks <- read.csv("warpbreaks.csv")
fit <- glm(breaks ~ wool + medium + high + offset(log(exposure)), poisson, breaks, epsilon = 1e-14)
for (name in names(coef(fit))) {
  out(sprintf("r/glm/warpbreaks/%s/coef", name), coef(fit)[name])
  out(sprintf("r/glm/warpbreaks/%s/se", name), sqrt(vcov(fit)[name, name]))
}
out("r/glm/warpbreaks/deviance", deviance(fit))
out("r/glm/warpbreaks/pearson", sum(residuals(fit, "pearson")^2))
out("r/glm/warpbreaks/df", df.residual(fit))
# With the counts as they are: R's own help page gives 210.39 on 50 df for breaks ~ wool + tension.
fit <- glm(breaks ~ wool + medium + high, poisson, breaks, epsilon = 1e-14)
out("r/glm/warpbreaks-plain/deviance", deviance(fit))
