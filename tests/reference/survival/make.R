# Kaplan-Meier curves, quartiles and log-rank tests of open datasets, as R's survival gives them.
# Run from this folder: Rscript make.R
library(survival)

read <- function(name) read.csv(file.path("..", "data", paste0(name, ".csv")))
lung <- read("lung"); veteran <- read("veteran"); remission <- read("remission")
channing <- subset(read("channing"), age > 816)
channing$entry <- pmax(channing$ageentry, 816)
channing <- subset(channing, entry < age)

plan <- list(
  lung      = list(data = lung,      formula = Surv(time, status == 2) ~ sex),
  veteran   = list(data = veteran,   formula = Surv(time, status == 1) ~ celltype),
  remission = list(data = remission, formula = Surv(weeks, relapse == 1) ~ arm),
  channing  = list(data = channing,  formula = Surv(entry, age, death == 1) ~ gender)
)
curves <- quartiles <- tests <- NULL
for (name in names(plan)) {
  formula <- plan[[name]]$formula
  data <- plan[[name]]$data
  fit <- survfit(formula, data = data, conf.type = "log-log")
  s <- summary(fit, censored = TRUE)
  leaves <- s$n.event + s$n.censor > 0   # with late entry survfit also lists times of entry
  curves <- rbind(curves, data.frame(dataset = name, group = sub("^[^=]*=", "", trimws(s$strata)), time = s$time,
    at_risk = s$n.risk, events = s$n.event, censored = s$n.censor, estimate = s$surv, std_error = s$std.err,
    conf_low = s$lower, conf_high = s$upper)[leaves, ])
  q <- quantile(fit, c(.25, .5, .75))
  for (k in 1:3) quartiles <- rbind(quartiles, data.frame(dataset = name,
    group = sub("^[^=]*=", "", trimws(rownames(q$quantile))), probability = c(.25, .5, .75)[k],
    estimate = q$quantile[, k], conf_low = q$lower[, k], conf_high = q$upper[, k]))
  if (name == "channing") {
    # survdiff takes no late entry; the score test of Cox's model with exact ties is the log-rank test.
    score <- coxph(Surv(entry, age, death == 1) ~ factor(gender), data = data, ties = "exact")$score
    tests <- rbind(tests, data.frame(dataset = name, statistic = score, df = 1, p_value = pchisq(score, 1, lower.tail = FALSE)))
  } else {
    d <- survdiff(formula, data = data)
    df <- length(d$n) - 1
    tests <- rbind(tests, data.frame(dataset = name, statistic = d$chisq, df = df, p_value = pchisq(d$chisq, df, lower.tail = FALSE)))
  }
}
options(digits = 15)
write.csv(curves, "curves.csv", row.names = FALSE)
write.csv(quartiles, "quartiles.csv", row.names = FALSE)
write.csv(tests, "tests.csv", row.names = FALSE)
writeLines(c(R.version.string, paste("survival", packageVersion("survival"))), "versions.txt")
