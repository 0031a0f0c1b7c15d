# Time of lmer with Kenward-Roger tests of simulated trials, for bench_simulation.py.
# Rscript bench_simulation.R trials.csv contrasts.csv   prints: a line a trial with kind, trial,
# milliseconds of fit + lmerTest's Kenward-Roger table, of fit + tests of the contrasts, p-values;
# then milliseconds of a refit; versions.  Of the tests only what is needed is timed: one adjusted
# covariance matrix a trial, and the df of each contrast.
suppressPackageStartupMessages({library(lme4); library(pbkrtest)})
trials <- read.csv(commandArgs(TRUE)[1], check.names = FALSE)
contrasts_ <- read.csv(commandArgs(TRUE)[2], check.names = FALSE)
for (name in c("binding", "opening", "site")) trials[[name]] <- factor(trials[[name]], unique(trials[[name]]))
for (name in c("pair", "bale")) trials[[name]] <- factor(trials[[name]])
form <- y ~ binding + opening + binding:opening + site + binding:site + (1 | pair) + (1 | bale)
quiet <- lmerControl(check.conv.singular = "ignore")
# Processor time, which other work on the machine does not lengthen as it does the wall clock's.
clock <- function(f) sum(system.time(f(), gcFirst = FALSE)[c("user.self", "sys.self")]) * 1000

# Mean over sites of the difference at each opening, and weighted sums of these, as rows on lmer's
# coefficients.
rows_of <- function(fit, trial) {
  terms_ <- delete.response(terms(fit))
  at <- function(binding) {
    grid <- expand.grid(site = levels(trial$site), opening = levels(trial$opening), binding = binding,
                        stringsAsFactors = FALSE)
    for (name in names(grid)) grid[[name]] <- factor(grid[[name]], levels(trial[[name]]))
    x <- model.matrix(terms_, grid)
    rowsum(x, grid$opening, reorder = FALSE) / nlevels(trial$site)
  }
  as.matrix(contrasts_) %*% (at(levels(trial$binding)[2]) - at(levels(trial$binding)[1]))
}
tests <- function(fit, rows) {
  plain <- vcov(fit)
  adjusted <- vcovAdj(fit)
  estimate <- rows %*% fixef(fit)
  error <- sqrt(rowSums((rows %*% as.matrix(adjusted)) * rows))
  df <- apply(rows, 1, function(row) Lb_ddf(row, plain, adjusted))
  2 * pt(-abs(estimate / error), df)
}
first <- TRUE
for (key in unique(paste(trials$kind, trials$trial))) {
  trial <- trials[paste(trials$kind, trials$trial) == key & !is.na(trials$y), ]
  whole <- function() { fit <- lmer(form, trial, control = quiet); tests(fit, rows) }
  fit <- lmer(form, trial, control = quiet)
  rows <- rows_of(fit, trial)
  table <- function() anova(lmerTest::lmer(form, trial, control = quiet), ddf = "Kenward-Roger")
  if (first) { whole(); table(); first <- FALSE }
  cat(trial$kind[1], trial$trial[1], clock(table), clock(whole), tests(fit, rows), "\n")
}
balanced <- trials[trials$kind == "balanced", ]
one <- balanced[balanced$trial == 0, ]
fit <- lmer(form, one, control = quiet)
ys <- split(balanced$y, balanced$trial)
invisible(lme4::refit(fit, ys[[1]]))
cat(sapply(ys, function(y) clock(function() for (i in 1:5) lme4::refit(fit, y)) / 5), "\n")
cat(paste0("R ", getRversion(), ", lme4 ", packageVersion("lme4"), ", lmerTest ", packageVersion("lmerTest"), ", pbkrtest ", packageVersion("pbkrtest")), "\n")
