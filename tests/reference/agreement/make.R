# Agreement of readers in base R; rows.csv is invented. Run in this folder: Rscript make.R
rows <- read.csv("rows.csv", colClasses = "character")
grades <- c("0", "1", "2", "3", "4", "not_gradable")
set <- function(name, value) cat(name, ",", format(value, digits = 15), "\n", sep = "")
sink("agreement.csv")
cat("name,value\n")

# Weights of agreement: not_gradable agrees with itself alone
apart <- abs(outer(0:4, 0:4, "-")) / 4
beside <- function(inner) rbind(cbind(inner, 0), c(rep(0, 5), 1))
weights <- list(none = diag(6), linear = beside(1 - apart), quadratic = beside(1 - apart^2))
kappa <- function(a, b, w) {
  p <- prop.table(table(factor(a, grades), factor(b, grades)))
  pe <- sum(outer(rowSums(p), colSums(p)) * w)
  (sum(p * w) - pe) / (1 - pe)
}
for (kind in names(weights)) {
  w <- weights[[kind]]
  p <- unclass(prop.table(table(factor(rows$first, grades), factor(rows$second, grades))))
  n <- nrow(rows)
  po <- sum(p * w)
  r <- rowSums(p)
  s <- colSums(p)
  pe <- sum(outer(r, s) * w)
  k <- (po - pe) / (1 - pe)
  # Fleiss, Cohen and Everitt 1969
  pull <- outer(as.vector(w %*% s), as.vector(r %*% w), "+")
  v <- (sum(p * (w - pull * (1 - k))^2) - (k - pe * (1 - k))^2) / (n * (1 - pe)^2)
  v0 <- (sum(outer(r, s) * (w - pull)^2) - pe^2) / (n * (1 - pe)^2)
  set(paste0(kind, "_estimate"), k)
  set(paste0(kind, "_std_error"), sqrt(v))
  set(paste0(kind, "_std_error_null"), sqrt(v0))
  # By climber: numerical derivative of kappa in the weight of each case, added up by climber
  index <- cbind(match(rows$first, grades), match(rows$second, grades))
  weighted <- function(u) {
    q <- matrix(0, 6, 6)
    for (i in seq_len(n)) q[index[i, 1], index[i, 2]] <- q[index[i, 1], index[i, 2]] + u[i]
    q <- q / sum(u)
    e <- sum(outer(rowSums(q), colSums(q)) * w)
    (sum(q * w) - e) / (1 - e)
  }
  h <- 1e-5
  slope <- sapply(seq_len(n), function(i) {
    up <- rep(1, n); up[i] <- 1 + h
    down <- rep(1, n); down[i] <- 1 - h
    (weighted(up) - weighted(down)) / (2 * h)
  })
  sums <- tapply(slope, rows$climber, sum)
  g <- length(sums)
  set(paste0(kind, "_by_climber"), sqrt(g / (g - 1) * sum(sums^2)))
}

# Fleiss' kappa of three readers; its standard error by the same derivative, over cases and over climbers
votes <- t(apply(rows[, c("first", "second", "third")], 1, function(x) table(factor(x, grades))))
m <- 3
fleiss <- function(u) {
  agree <- rowSums(votes * (votes - 1)) / (m * (m - 1))
  p <- colSums(votes * u) / (m * sum(u))
  (sum(u * agree) / sum(u) - sum(p^2)) / (1 - sum(p^2))
}
n <- nrow(rows)
set("fleiss_estimate", fleiss(rep(1, n)))
slope <- sapply(seq_len(n), function(i) {
  up <- rep(1, n); up[i] <- 1 + 1e-5
  down <- rep(1, n); down[i] <- 1 - 1e-5
  (fleiss(up) - fleiss(down)) / 2e-5
})
set("fleiss_over_cases", sqrt(n / (n - 1) * sum(slope^2)))
sums <- tapply(slope, rows$climber, sum)
g <- length(sums)
set("fleiss_by_climber", sqrt(g / (g - 1) * sum(sums^2)))
p <- colSums(votes) / sum(votes)
b <- sum(p * (1 - p))
set("fleiss_std_error_null", sqrt(2) / (b * sqrt(n * m * (m - 1))) * sqrt(b^2 - sum(p * (1 - p) * (1 - 2 * p))))
sink()
writeLines(R.version.string, "versions.txt")
