# Firth's estimate, penalised profile limits and test on data sets of R and MASS: found by maximising the penalised
# likelihood numerically (optim, uniroot), with no scoring step in common with the product. Run here: Rscript make.R
library(MASS)
penalised <- function(b, x, y) {
  eta <- drop(x %*% b)
  w <- plogis(eta) * plogis(-eta)
  sum(plogis(ifelse(y == 1, eta, -eta), log.p = TRUE)) + 0.5 * as.numeric(determinant(crossprod(x, w * x))$modulus)
}
highest <- function(x, y, place = NULL, value = 0, start = rep(0, ncol(x))) {
  free <- setdiff(seq_len(ncol(x)), place)
  whole <- function(b) { full <- numeric(ncol(x)); full[free] <- b; full[place] <- value; full }
  now <- list(par = start[free])
  for (i in 1:6) now <- optim(now$par, function(b) -penalised(whole(b), x, y), method = "BFGS",
                              control = list(maxit = 5000, reltol = 1e-16, ndeps = rep(1e-5, length(free))))
  list(par = whole(now$par), height = -now$value)
}
one <- function(name, formula, data) {
  frame <- model.frame(formula, data)
  x <- model.matrix(formula, frame)
  y <- as.numeric(model.response(frame))
  top <- highest(x, y)
  drop <- function(place, value) 2 * (top$height - highest(x, y, place, value, top$par)$height)
  rows <- lapply(2:ncol(x), function(place) {
    at <- top$par[place]
    reach <- function(side) { step <- side; while (drop(place, at + step) < qchisq(0.95, 1)) step <- 2 * step
      uniroot(function(v) drop(place, v) - qchisq(0.95, 1), sort(c(at, at + step)), tol = 1e-10)$root }
    data.frame(model = name, term = colnames(x)[place], estimate = at, conf_low = reach(-1), conf_high = reach(1),
               p_value = pchisq(drop(place, 0), 1, lower.tail = FALSE), log_likelihood = top$height)
  })
  do.call(rbind, rows)
}
few <- birthwt[seq(1, 189, by = 4), ]
births <- transform(birthwt, weight = lwt / 100, years = age / 10)
results <- rbind(
  one("births", low ~ years + weight + smoke + ht + ui, births),
  one("few_births", low ~ smoke + ht + ui, few),
  one("separated_births", low ~ smoke + ht, few[!(few$ht == 1 & few$low == 0), ])
)
write.csv(results, "limits.csv", row.names = FALSE)
data <- rbind(
  cbind(model = "births", births[, c("low", "years", "weight", "smoke", "ht", "ui")]),
  cbind(model = "few_births", transform(few, weight = lwt / 100, years = age / 10)[, c("low", "years", "weight", "smoke", "ht", "ui")]),
  cbind(model = "separated_births", transform(few[!(few$ht == 1 & few$low == 0), ], weight = lwt / 100, years = age / 10)[, c("low", "years", "weight", "smoke", "ht", "ui")])
)
write.csv(data, "births.csv", row.names = FALSE)
writeLines(c(R.version.string, paste("MASS", packageVersion("MASS"))), "versions.txt")
