# Conditional logistic regression of matched sets, as R's survival::clogit gives it: one and several cases a set.
# Run from this folder: Rscript make.R
library(survival)
infert <- read.csv(file.path("..", "data", "infert.csv"))
infert$group <- ceiling(infert$stratum / 4)          # four sets of one cluster each

plan <- list(
  one_case       = case ~ spontaneous + induced + strata(stratum),
  several_cases  = case ~ spontaneous + induced + strata(pooled.stratum),
  levels         = case ~ factor(spontaneous) + factor(induced) + strata(pooled.stratum),
  large_sets     = case ~ factor(spontaneous) + factor(induced) + parity + age + strata(education)
)
coefficients <- tests <- NULL
for (name in names(plan)) {
  fit <- clogit(plan[[name]], data = infert, method = "exact")
  s <- summary(fit)
  coefficients <- rbind(coefficients, data.frame(model = name, term = names(coef(fit)), coefficient = coef(fit),
    std_error = sqrt(diag(vcov(fit))), statistic = s$coefficients[, "z"], p_value = s$coefficients[, "Pr(>|z|)"]))
  tests <- rbind(tests, data.frame(model = name, null_log_likelihood = fit$loglik[1], log_likelihood = fit$loglik[2],
    likelihood_ratio = s$logtest[["test"]], score = s$sctest[["test"]],
    wald = drop(coef(fit) %*% solve(vcov(fit)) %*% coef(fit)), n = fit$n, events = fit$nevent))
}
# With one case a set the approximations are exact, and robust errors are given. R leaves out G / (G - 1).
robust <- clogit(case ~ spontaneous + induced + strata(stratum) + cluster(group), data = infert, method = "breslow")
robust <- data.frame(term = names(coef(robust)), coefficient = coef(robust), robust_error = sqrt(diag(vcov(robust))),
  clusters = length(unique(infert$group)))

options(digits = 15)
write.csv(coefficients, "coefficients.csv", row.names = FALSE)
write.csv(tests, "tests.csv", row.names = FALSE)
write.csv(robust, "robust.csv", row.names = FALSE)
# Pairs: McNemar's test and the exact limits of the share of discordant pairs, as odds.
pairs <- do.call(rbind, lapply(list(c(150, 86), c(12, 3), c(7, 0), c(0, 4), c(5, 5), c(1, 2)), function(d) {
  table <- matrix(c(40, d[1], d[2], 60), 2)
  exact <- binom.test(d[1], sum(d), conf.level = 0.9)
  odds <- exact$conf.int / (1 - exact$conf.int)
  data.frame(case_only = d[1], referent_only = d[2], mcnemar = mcnemar.test(table, correct = FALSE)$statistic[[1]],
    mcnemar_corrected = mcnemar.test(table)$statistic[[1]], p_exact = exact$p.value, conf_low = odds[1], conf_high = odds[2])
}))
write.csv(pairs, "pairs.csv", row.names = FALSE)
writeLines(c(R.version.string, paste("survival", packageVersion("survival"))), "versions.txt")
