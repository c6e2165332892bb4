# Reference values for tests/analysis: run with `Rscript make.R > expected.json` in this folder (base R only).
# Written from the formulas in the papers, with loops and full matrices where the package uses tallies.

numbers <- function(x) paste0("[", paste(ifelse(is.na(x), "null", trimws(formatC(as.numeric(x), digits = 15, format = "g"))), collapse = ", "), "]")

# 1. Cramer's V: limits by inverting the noncentral chi-square, value corrected as in Bergsma 2013
v_limits <- function(tab, level = 0.95) {
  n <- sum(tab); r <- nrow(tab); k <- ncol(tab); df <- (r - 1) * (k - 1)
  x2 <- suppressWarnings(chisq.test(tab, correct = FALSE)$statistic)[[1]]
  at <- function(p) {
    if (pchisq(x2, df) <= p) return(0)
    uniroot(function(l) pchisq(x2, df, ncp = l) - p, c(0, 10 * x2 + 100), tol = 1e-12)$root
  }
  ncp <- c(at(1 - (1 - level) / 2), at((1 - level) / 2))
  rt <- r - (r - 1)^2 / (n - 1); kt <- k - (k - 1)^2 / (n - 1)
  corrected <- sqrt(max(0, x2 / n - df / (n - 1)) / min(rt - 1, kt - 1))
  c(sqrt(x2 / n / (min(r, k) - 1)), corrected, sqrt(ncp / n / (min(r, k) - 1)))
}
hair <- apply(HairEyeColor, c(1, 2), sum)
weak <- matrix(c(12, 9, 7, 10, 14, 8), 2)
admissions <- apply(UCBAdmissions, c(1, 2), sum)

# 2. Rao-Scott, second order, by climber: one label a unit, and several
climber <- c(1,1,1,2,2,3,4,5,5,6,7,8,8,9,10,11,12,12,12,13,14,15,16,16,17,18,19,20,20,21)
row <- c(1,1,2,2,2,3,1,3,3,2,1,2,2,3,1,1,3,3,2,1,2,2,1,3,3,2,1,1,2,3)
one <- c(1,1,1,2,2,2,1,2,2,1,2,1,1,2,1,1,2,2,2,1,1,2,1,1,2,2,1,1,1,2)
also <- c(0,2,0,0,1,0,2,0,1,0,0,0,2,0,0,2,0,0,1,0,0,0,0,2,0,0,2,0,0,1)   # a second label; 0: none
rao_scott <- function(second) {
  n <- length(row); g <- length(unique(climber))
  has <- sapply(1:2, function(j) as.numeric(one == j | (second & also == j)))
  counts <- t(sapply(1:3, function(i) colSums(has[row == i, , drop = FALSE])))
  r <- as.numeric(table(row)); k <- colSums(has); e <- outer(r, k) / n
  x2 <- sum((counts - e)^2 / e)
  u <- t(sapply(sort(unique(climber)), function(who) {
    mine <- climber == who; m <- sum(mine)
    x <- t(sapply(1:3, function(i) colSums(has[mine & row == i, , drop = FALSE])))
    ri <- sapply(1:3, function(i) sum(mine & row == i)); kj <- colSums(has[mine, , drop = FALSE])
    as.vector(x - outer(ri, k) / n - outer(r, kj) / n + outer(r, k) * m / n^2)
  }))
  v <- g / (g - 1) * crossprod(u) / sqrt(outer(as.vector(e), as.vector(e)))
  lambda <- eigen(v, symmetric = TRUE, only.values = TRUE)$values
  df <- sum(lambda)^2 / sum(lambda^2)
  statistic <- x2 * sum(lambda) / sum(lambda^2)
  c(x2, statistic, df, pchisq(statistic, df, lower.tail = FALSE))
}

# 3. sign test
signs <- rbind(c(8, 10), c(12, 12), c(0, 5), c(258, 432), c(30, 80))
sign_lines <- apply(signs, 1, function(s) { b <- binom.test(s[1], s[2]); c(b$p.value, b$conf.int) })

# 4. standardised difference over several levels (Yang and Dalton 2012), with a generalised distance
apart <- function(a, b) {
  p <- a / sum(a); q <- b / sum(b)
  s <- (diag(p) - outer(p, p) + diag(q) - outer(q, q)) / 2
  sqrt(mahalanobis((q - p)[-1], 0, s[-1, -1]))
}
distance <- apart(c(5, 25, 101, 121, 19), c(3, 27, 96, 130, 20))

# 5. trend by climber as a sandwich of a score: sum over climbers of (row - mean)(label - mean)
each <- (row - mean(row)) * (one - mean(one))
sums <- tapply(each, climber, sum)
trend <- sum(each)^2 / (21 / 20 * sum(sums^2))

cat("{\n")
cat('  "cramers_v": {"hair_eye": ', numbers(v_limits(hair)), ', "weak": ', numbers(v_limits(weak)), ', "admissions": ', numbers(v_limits(admissions)), "},\n", sep = "")
cat('  "weak": ', numbers(weak), ', "admissions": ', numbers(admissions), ",\n", sep = "")
cat('  "climber": ', numbers(climber), ', "row": ', numbers(row), ', "one": ', numbers(one), ', "also": ', numbers(also), ",\n", sep = "")
cat('  "rao_scott": ', numbers(rao_scott(FALSE)), ', "rao_scott_several": ', numbers(rao_scott(TRUE)), ",\n", sep = "")
cat('  "signs": ', numbers(t(signs)), ', "sign_test": ', numbers(sign_lines), ",\n", sep = "")
cat('  "standardised_difference": ', numbers(distance), ', "trend_by_climber": ', numbers(trend), "\n}\n", sep = "")
