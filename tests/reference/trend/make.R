# Trend of a share and of an ordered outcome; rows.csv is invented. Run in this folder: Rscript make.R
rows <- read.csv("rows.csv")
set <- function(name, value) cat(name, ",", format(value, digits = 15), "\n", sep = "")
sink("trend.csv")
cat("name,value\n")

n <- tapply(rows$outcome, rows$score, length)
x <- tapply(rows$outcome, rows$score, sum)
scores <- as.numeric(names(n))
trend <- prop.trend.test(x, n, scores)
overall <- suppressWarnings(prop.test(x, n, correct = FALSE))
set("cochran_armitage", trend$statistic)
set("cochran_armitage_p", trend$p.value)
set("heterogeneity", overall$statistic)
set("heterogeneity_p", overall$p.value)
set("departure_from_trend", overall$statistic - trend$statistic)
set("departure_from_trend_p", pchisq(overall$statistic - trend$statistic, length(n) - 2, lower.tail = FALSE))
set("linear_by_linear", (nrow(rows) - 1) * cor(rows$score, rows$outcome)^2)
set("ordered_linear_by_linear", (nrow(rows) - 1) * cor(rows$score, rows$grade)^2)

# Generalised score test with climbers as clusters, G/(G-1)
by_climber <- function(outcome) {
  each <- (rows$score - mean(rows$score)) * (outcome - mean(outcome))
  sums <- tapply(each, rows$climber, sum)
  g <- length(sums)
  sum(sums) / sqrt(g / (g - 1) * sum(sums^2))
}
set("trend_by_climber_z", by_climber(rows$outcome))
set("ordered_trend_by_climber_z", by_climber(rows$grade))

# Mean grade at score 3: variance linearised by climber, Student's t
here <- rows[rows$score == 3, ]
sums <- tapply(here$grade - mean(here$grade), here$climber, sum)
g <- length(sums)
half <- qt(0.975, g - 1) * sqrt(g / (g - 1) * sum(sums^2)) / nrow(here)
set("mean_grade_at_3", mean(here$grade))
set("mean_grade_at_3_low", mean(here$grade) - half)
set("mean_grade_at_3_high", mean(here$grade) + half)

# datasets::esoph as R 4.2.2 has it: cases by age group against scores 1 to 6
cases <- tapply(esoph$ncases, esoph$agegp, sum)
all <- cases + tapply(esoph$ncontrols, esoph$agegp, sum)
set("esoph_age", prop.trend.test(cases, all)$statistic)
sink()
write.csv(data.frame(agegp = names(cases), cases = as.vector(cases), referents = as.vector(all - cases)),
          "esoph_age.csv", row.names = FALSE, quote = FALSE)
writeLines(R.version.string, "versions.txt")
