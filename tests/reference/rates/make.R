# Exact limits of counts and of rate ratios, as R's poisson.test gives them. Run from this folder: Rscript make.R
grid <- expand.grid(events = c(0, 1, 3, 12, 140), exposure = c(250, 4000), reference_events = c(1, 8, 60), reference_exposure = 1300)
ratios <- do.call(rbind, lapply(seq_len(nrow(grid)), function(i) {
  g <- grid[i, ]
  t <- poisson.test(c(g$events, g$reference_events), c(g$exposure, g$reference_exposure), conf.level = 0.9)
  cbind(g, estimate = t$estimate[[1]], conf_low = t$conf.int[1], conf_high = t$conf.int[2], p_value = t$p.value)
}))
write.csv(ratios, "ratios.csv", row.names = FALSE)
writeLines(R.version.string, "versions.txt")
