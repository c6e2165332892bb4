# Logistic regressions on open data sets, as R's glm gives them. Run from this folder: Rscript make.R
# The control goes on until nothing changes: by default glm stops early, and its standard errors are those of the last
# but one step (off by 1e-5 in infert).
library(MASS)
still <- glm.control(epsilon = 1e-15, maxit = 100)

clustered <- function(fit, cluster) {
  scores <- rowsum(model.matrix(fit) * (fit$y - fitted(fit)), cluster)
  bread <- solve(crossprod(model.matrix(fit) * sqrt(fitted(fit) * (1 - fitted(fit)))))
  groups <- nrow(scores)
  list(se = sqrt(diag(bread %*% crossprod(scores) %*% bread) * groups / (groups - 1)), groups = groups)
}

# rows: what lifts the likelihood of counts to that of single rows
lines <- function(model, fit, cluster = NULL, rows = 0) {
  table <- coef(summary(fit))
  robust <- if (is.null(cluster)) rep(NA, nrow(table)) else clustered(fit, cluster)$se
  data.frame(
    model = model, coefficient = rownames(table), estimate = table[, 1], std_error = table[, 2],
    robust_error = robust, log_likelihood = as.numeric(logLik(fit)) - rows, row.names = NULL
  )
}

birth <- transform(
  birthwt,
  race = factor(race, labels = c("white", "black", "other")),
  smoke = factor(smoke, labels = c("no", "yes")),
  ht = factor(ht, labels = c("no", "yes")),
  ui = factor(ui, labels = c("no", "yes"))
)
write.csv(birth[c("low", "age", "lwt", "race", "smoke", "ptl", "ht", "ui", "ftv")], "../data/birthwt.csv", row.names = FALSE)
write.csv(infert, "../data/infert.csv", row.names = FALSE)
smokers <- as.data.frame(esoph)
smokers[1:3] <- lapply(smokers[1:3], as.character)
write.csv(smokers, "../data/esoph.csv", row.names = FALSE)
write.csv(as.data.frame(UCBAdmissions), "../data/ucb_admissions.csv", row.names = FALSE)

esoph_factors <- transform(
  esoph,
  agegp = factor(agegp, ordered = FALSE), alcgp = factor(alcgp, ordered = FALSE), tobgp = factor(tobgp, ordered = FALSE)
)
esoph_fit <- glm(cbind(ncases, ncontrols) ~ agegp + alcgp + tobgp, binomial, esoph_factors, control = still)
ucb <- as.data.frame(UCBAdmissions)
ucb_fit <- glm(Admit == "Admitted" ~ Gender * Dept, binomial, ucb, weights = Freq, control = still)
infert_fit <- glm(case ~ spontaneous + induced + age + parity, binomial, infert, control = still)
education_fit <- glm(case ~ education + spontaneous * induced, binomial, infert, control = still)
result <- rbind(
  lines("birthwt", glm(low ~ age + lwt + race + smoke + ptl + ht + ui + ftv, binomial, birth, control = still)),
  lines("birthwt_interaction", glm(low ~ race * smoke + age * ht, binomial, birth, control = still)),
  lines("infert", infert_fit, infert$stratum),
  lines("infert_interaction", education_fit, infert$stratum),
  lines("esoph", esoph_fit, rows = sum(lchoose(esoph$ncases + esoph$ncontrols, esoph$ncases))),
  lines("ucb", ucb_fit)
)
numbers <- c("estimate", "std_error", "robust_error", "log_likelihood")
result[numbers] <- lapply(result[numbers], function(x) trimws(formatC(x, digits = 17, format = "g")))
write.csv(result, "models.csv", row.names = FALSE, quote = FALSE)
writeLines(c(R.version.string, paste("MASS", packageVersion("MASS"))), "versions.txt")
