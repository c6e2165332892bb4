# Reference values for tests/analysis: run with `Rscript make.R > expected.json` in this folder (base R only).
# Quasi-independence as a Poisson log-linear model; shares and odds ratios with errors by climber as sandwich
# variances of a linear and a logistic model (the tests compute both by linearisation from tallies).

numbers <- function(x) paste0("[", paste(ifelse(is.na(x), "null", trimws(formatC(as.numeric(x), digits = 15, format = "g"))), collapse = ", "), "]")

# 1. digit x structure; a thumb has no a3, a4; no other digit has an oblique pulley; a1 and a2 are everywhere
counts <- rbind(thumb = c(4, 6, 0, 0, 5), index = c(3, 12, 5, 9, 0), middle = c(6, 30, 11, 21, 0),
                ring = c(5, 41, 9, 17, 0), little = c(2, 6, 4, 3, 0))
possible <- matrix(TRUE, 5, 5)
possible[1, 3:4] <- FALSE
possible[2:5, 5] <- FALSE
cell <- expand.grid(row = factor(1:5), column = factor(1:5))
cell$n <- as.vector(counts)
kept <- cell[as.vector(possible), ]
fit <- glm(n ~ row + column, poisson, kept, control = list(epsilon = 1e-14, maxit = 100))
hat <- hatvalues(fit)
adjusted <- ifelse(1 - hat > 1e-9, residuals(fit, "pearson") / sqrt(pmax(1 - hat, 1e-300)), NA)
expected <- residual <- rep(NA, 25)
expected[as.vector(possible)] <- fitted(fit)
residual[as.vector(possible)] <- adjusted
# row by row
turn <- as.vector(t(matrix(1:25, 5)))
df <- fit$df.residual
x2 <- sum(residuals(fit, "pearson")^2)

# 2. a share and an odds ratio where climbers repeat
climber <- c(1, 1, 1, 2, 2, 3, 4, 5, 5, 6, 7, 8, 8, 9, 10, 11, 12, 12, 12, 13, 14, 15, 16, 16, 17, 18, 19, 20, 20, 21)
crimp   <- c(1, 1, 0, 1, 1, 0, 1, 0, 0, 1, 0, 1, 1, 0, 1, 0, 1, 1, 1, 0, 0, 1, 0, 0, 1, 0, 1, 0, 0, 1)
pulley  <- c(1, 1, 0, 1, 1, 0, 0, 0, 1, 1, 0, 0, 1, 1, 1, 0, 1, 1, 1, 0, 0, 1, 1, 0, 0, 0, 1, 0, 0, 1)
sandwich <- function(scores, bread) {
  by_climber <- rowsum(scores, climber)
  g <- nrow(by_climber)
  bread %*% crossprod(by_climber) %*% bread * g / (g - 1)
}
share <- mean(pulley)
share_variance <- sandwich(matrix(pulley - share), matrix(1 / length(pulley)))
logit <- glm(pulley ~ crimp, binomial, control = list(epsilon = 1e-14, maxit = 100))
X <- model.matrix(logit)
odds_variance <- sandwich(X * (pulley - fitted(logit)), solve(crossprod(X * sqrt(fitted(logit) * (1 - fitted(logit))))))

# 3. Fisher's two-sided p and Pearson without correction for one table (C10 of the published figures)
finger <- rbind(c(131, 158), c(28, 68))
pearson <- chisq.test(finger, correct = FALSE)

cat("{\n")
cat('"made_with": "', R.version.string, '",\n', sep = "")
cat('"quasi_independence": {"counts": ', numbers(counts[turn]), ', "expected": ', numbers(expected[turn]),
    ', "residual": ', numbers(residual[turn]), ', "pearson": ', numbers(x2), ', "g_squared": ', numbers(deviance(fit)),
    ', "df": ', df, ', "p_value": ', numbers(pchisq(x2, df, lower.tail = FALSE)), "},\n", sep = "")
cat('"climbers": {"climber": ', numbers(climber), ', "crimp": ', numbers(crimp), ', "pulley": ', numbers(pulley),
    ', "share": ', numbers(share), ', "share_variance": ', numbers(share_variance), ', "log_odds_ratio": ',
    numbers(coef(logit)[2]), ', "log_odds_ratio_variance": ', numbers(odds_variance[2, 2]), "},\n", sep = "")
cat('"finger_by_sex": {"pearson": ', numbers(pearson$statistic), ', "p_value": ', numbers(pearson$p.value),
    ', "fisher": ', numbers(fisher.test(finger)$p.value), "}\n}\n", sep = "")
