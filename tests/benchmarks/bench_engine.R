# Time of one lmer fit with its Kenward-Roger table on the reference trial, for bench_engine.py.
# Rscript bench_engine.R trial.csv   prints: milliseconds of fit + table, of a refit alone, versions.
suppressPackageStartupMessages({library(lme4); library(lmerTest); library(pbkrtest)})
trial <- read.csv(commandArgs(TRUE)[1])
trial[c("site", "pair", "bale", "opening")] <- lapply(trial[c("site", "pair", "bale", "opening")], factor)
form <- y ~ binding * opening + (1 | site) + (1 | pair) + (1 | bale)
quiet <- lmerControl(check.conv.singular = "ignore")
milliseconds <- function(f, times) {
  f()
  1000 * median(sapply(seq_len(times), function(i) system.time(f(), gcFirst = FALSE)[["elapsed"]]))
}
fit <- lmer(form, trial, control = quiet)
table_ms <- milliseconds(function() anova(lmer(form, trial, control = quiet), ddf = "Kenward-Roger"), 15)
refit_ms <- milliseconds(function() for (i in 1:10) lme4::refit(fit, trial$y), 7) / 10
cat(table_ms, refit_ms, paste0("R ", getRversion(), ", lme4 ", packageVersion("lme4"), ", pbkrtest ", packageVersion("pbkrtest")), sep = "\n")
