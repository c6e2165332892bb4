# Exact tests of r x c tables, common odds ratios with exact limits, and the generalised Cochran-Mantel-Haenszel test,
# as R's fisher.test and mantelhaen.test give them, on data sets of R and MASS. Run from this folder: Rscript make.R
library(MASS)
tables <- list(
  education_by_case = table(infert$education, infert$case),
  education_by_induced = table(infert$education, infert$induced),
  visits_by_race = table(birthwt$ftv, birthwt$race),
  cylinders_by_carburettors = table(mtcars$cyl, mtcars$carb),
  gears_by_carburettors = table(mtcars$gear, mtcars$carb),
  hair_by_eye_a_fifth = round(apply(HairEyeColor, 1:2, sum) / 20)
)
strata <- list(
  smoking_by_race = table(factor(birthwt$smoke, c(1, 0)), factor(birthwt$low, c(1, 0)), birthwt$race),
  hypertension_by_race = table(factor(birthwt$ht, c(1, 0)), factor(birthwt$low, c(1, 0)), birthwt$race),
  induced_by_parity = table(factor(infert$induced > 0, c(TRUE, FALSE)), factor(infert$case, c(1, 0)), infert$parity),
  admissions = aperm(UCBAdmissions, c(2, 1, 3))
)
cubes <- list(hair_eye_sex = HairEyeColor, dept_admit_gender = aperm(UCBAdmissions, c(3, 1, 2)))
number <- function(x) ifelse(is.finite(x), sprintf("%.15g", x), ifelse(is.na(x), "null", "1e999"))
listed <- function(x) paste0("[", paste(number(as.vector(x)), collapse = ", "), "]")
entry <- function(name, ...) {
  parts <- list(...)
  paste0("{\"name\": \"", name, "\", ", paste0("\"", names(parts), "\": ", unlist(parts), collapse = ", "), "}")
}
exact <- sapply(names(tables), function(name) {
  t <- tables[[name]]
  p <- fisher.test(t, workspace = 2e8)$p.value
  entry(name, dim = listed(dim(t)), by_column = listed(t), p_exact = number(p))
})
common <- sapply(names(strata), function(name) {
  t <- strata[[name]]
  t <- t[, , apply(t, 3, function(s) all(rowSums(s) > 0) && all(colSums(s) > 0))]
  m <- mantelhaen.test(t, exact = TRUE, conf.level = 0.95)
  entry(name, dim = listed(dim(t)), by_column = listed(t), estimate = number(m$estimate), limits = listed(m$conf.int),
        p_exact = number(m$p.value))
})
general <- sapply(names(cubes), function(name) {
  t <- cubes[[name]]
  m <- mantelhaen.test(t)
  entry(name, dim = listed(dim(t)), by_column = listed(t), statistic = number(m$statistic), df = number(m$parameter),
        p_value = number(m$p.value))
})
section <- function(name, rows) paste0(" \"", name, "\": [\n  ", paste(rows, collapse = ",\n  "), "\n ]")
writeLines(paste0("{\n", paste(section("exact", exact), section("common", common), section("general", general), sep = ",\n"), "\n}"),
           "tables.json")
writeLines(c(R.version.string, paste("MASS", packageVersion("MASS"))), "versions.txt")
