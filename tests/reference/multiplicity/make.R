# Reference values for tests/analysis/test_multiplicity.py: `Rscript make.R` in this folder (base R only).
# p.adjust on families with ties, zeros, ones and a missing value (which p.adjust leaves out of the family, too).
families <- list(
  ties = c(0.01, 0.01, 0.04, 0.04, 0.04, 0.5), ends = c(0, 1, 0.2, 1, 0), single = 0.03,
  missing = c(0.02, NA, 0.001, 0.3, NA, 0.04), unordered = c(0.9, 0.011, 0.2, 0.0004, 0.049, 0.03, 0.0121, 0.62))
names_of <- c(holm = "holm", hochberg = "hochberg", hommel = "hommel", bonferroni = "bonferroni",
              benjamini_hochberg = "BH", benjamini_yekutieli = "BY")
rows <- NULL
for (family in names(families)) for (method in names(names_of)) {
  p <- families[[family]]
  rows <- rbind(rows, data.frame(family = family, method = method, place = seq_along(p), p_value = p,
                                 adjusted = p.adjust(p, names_of[[method]])))
}
write.csv(format(rows, digits = 15, trim = TRUE), "adjusted.csv", row.names = FALSE, quote = FALSE)
writeLines(R.version.string, "versions.txt")
