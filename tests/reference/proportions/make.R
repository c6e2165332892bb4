# Reference values for tests/analysis/test_proportions.py and test_differences.py: `Rscript make.R` in this folder
# (base R only). binom.test: Clopper-Pearson; prop.test: Wilson, with and without continuity correction (kept only
# where |n - of/2| >= 1/2, because prop.test caps the correction below). mid-P, likelihood, Jeffreys and the score
# difference have no function in base R: they are solved here by uniroot from their definitions.
tight <- function(f, lower, upper) uniroot(f, c(lower, upper), tol = 1e-15, maxiter = 10000)$root
sizes <- c(1, 2, 3, 7, 12, 40, 80, 400, 2000, 1e6)
rows <- NULL
for (of in sizes) for (n in unique(round(of * c(0, 0.01, 0.1, 0.33, 0.5, 0.9, 1)))) for (level in c(0.8, 0.95, 0.99)) {
  tail <- (1 - level) / 2
  exact <- binom.test(n, of, conf.level = level)$conf.int
  plain <- suppressWarnings(prop.test(n, of, conf.level = level, correct = FALSE)$conf.int)
  corrected <- if (abs(n - of / 2) < 0.5) c(NA, NA) else suppressWarnings(prop.test(n, of, conf.level = level)$conf.int)
  mid <- function(p) 1 - pbinom(n, of, p) + 0.5 * dbinom(n, of, p)
  mid_low <- if (n == 0) 0 else tight(function(p) mid(p) - tail, 0, exact[2])
  mid_high <- if (n == of) 1 else tight(function(p) pbinom(n - 1, of, p) + 0.5 * dbinom(n, of, p) - tail, exact[1], 1)
  drop <- qchisq(level, 1) / 2
  loglik <- function(p) dbinom(n, of, p, log = TRUE)
  below <- function(p) loglik(n / of) - loglik(p) - drop
  lik_low <- if (n == 0) 0 else tight(below, exact[1] / 100, n / of)
  lik_high <- if (n == of) 1 else tight(below, n / of, 1 - (1 - exact[2]) / 100)
  jeffreys <- qbeta(c(tail, 1 - tail), n + 0.5, of - n + 0.5)
  if (n == 0) jeffreys[1] <- 0
  if (n == of) jeffreys[2] <- 1
  limits <- list(clopper_pearson = exact, wilson = plain, wilson_cc = corrected, mid_p = c(mid_low, mid_high),
                 likelihood = c(lik_low, lik_high), jeffreys = jeffreys)
  for (method in names(limits)) rows <- rbind(rows, data.frame(n = n, of = of, conf_level = level, method = method,
    conf_low = limits[[method]][1], conf_high = limits[[method]][2]))
}
write.csv(format(rows[!is.na(rows$conf_low), ], digits = 15, trim = TRUE), "limits.csv", row.names = FALSE, quote = FALSE)

# score limits of a difference: the restricted estimate by optimize over the profile likelihood
score <- function(n1, of1, n2, of2, level, factor) {
  apart <- n1 / of1 - n2 / of2
  z2 <- qchisq(level, 1)
  statistic <- function(d) {
    low <- max(0, -d); high <- min(1, 1 - d)
    f <- function(p) dbinom(n1, of1, min(1, max(0, p + d)), log = TRUE) + dbinom(n2, of2, p, log = TRUE)
    p <- optimize(f, c(low, high), maximum = TRUE, tol = 1e-13)$maximum
    candidates <- c(low, p, high)
    p <- candidates[which.max(sapply(candidates, f))]
    q <- min(1, max(0, p + d))
    (apart - d)^2 - z2 * factor * (q * (1 - q) / of1 + p * (1 - p) / of2)
  }
  side <- function(end) if (statistic(end) <= 0) end else uniroot(statistic, sort(c(apart + sign(end - apart) * 1e-9, end)), tol = 1e-12)$root
  c(side(-1 + 1e-12), side(1 - 1e-12))
}
pairs <- rbind(c(7, 34, 1, 34), c(3, 8, 5, 9), c(0, 12, 4, 15), c(12, 12, 9, 14), c(40, 80, 31, 75), c(2, 5, 300, 900),
               c(1, 400, 6, 380), c(1, 2, 1, 3))
out <- NULL
for (i in seq_len(nrow(pairs))) for (level in c(0.9, 0.95)) {
  p <- pairs[i, ]; total <- p[2] + p[4]
  for (method in c("mee", "miettinen_nurminen")) {
    limits <- score(p[1], p[2], p[3], p[4], level, if (method == "mee") 1 else total / (total - 1))
    out <- rbind(out, data.frame(n1 = p[1], of1 = p[2], n2 = p[3], of2 = p[4], conf_level = level, method = method,
                                 conf_low = limits[1], conf_high = limits[2]))
  }
}
write.csv(format(out, digits = 12, trim = TRUE), "differences.csv", row.names = FALSE, quote = FALSE)
writeLines(R.version.string, "versions.txt")
