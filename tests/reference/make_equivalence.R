# Two one-sided tests from estimate, standard error, degrees of freedom and margin, from R's pt and qt.
#
# Run by hand, in this folder:   Rscript make_equivalence.R
# Needs jsonlite. Writes equivalence.json. Continuous integration never runs this.
library(jsonlite)
rows <- data.frame(estimate = c(0.12, -0.3, 0.4, 0.05, 0.2), se = c(0.1, 0.15, 0.12, 0.3, 0.08),
                   df = c(7, 12, 5, 20.5, 100), margin = c(0.5, 0.5, 0.5, 0.5, 0.3))
rows <- within(rows, {
  p_lower <- pt((estimate + margin) / se, df, lower.tail = FALSE)
  p_upper <- pt((estimate - margin) / se, df)
  low_90 <- estimate - qt(0.95, df) * se
  high_90 <- estimate + qt(0.95, df) * se
  low_95 <- estimate - qt(0.975, df) * se
  high_95 <- estimate + qt(0.975, df) * se
})
write(toJSON(list(made_with = paste(R.version.string, "stats::pt, stats::qt"), rows = rows), digits = 15,
             auto_unbox = TRUE, pretty = TRUE), "equivalence.json")
