# lmer with Kenward and Roger's tests on simulated trials of the calibration, for its table.
#
# Run by hand, from the project's folder:
#   PYTHONPATH=tests python -m benchmarks.calibrate trials /tmp/trials
#   Rscript tests/reference/make_calibration.R /tmp/trials tests/reference/calibration.json
# Needs lme4, pbkrtest, jsonlite. Continuous integration never runs this.
#
# Each file holds one design: the columns of its fixed part, its groupings, contrasts, and drawn values of many trials
# without a binding effect. Variances are zero or above; a trial that lmer or pbkrtest fails on is counted, not tested.
suppressPackageStartupMessages({library(lme4); library(pbkrtest); library(jsonlite); library(parallel)})
options(digits = 15)
files <- list.files(commandArgs(TRUE)[1], "[.]json$", full.names = TRUE)
quiet <- lmerControl(check.conv.singular = "ignore", check.conv.grad = "ignore", check.conv.hess = "ignore",
                     check.rankX = "ignore", check.nlev.gtr.1 = "ignore", check.nobs.vs.nlev = "ignore",
                     check.nobs.vs.nRE = "ignore")

p_values <- function(y, design, form) {
  there <- !is.na(y)
  x <- design$x[there, , drop = FALSE]
  data <- data.frame(y = y[there], lapply(design$groups, function(g) factor(g[there])))
  data$x <- x
  tests <- rbind(design$contrasts)
  if (length(design$groups) == 0) {
    fit <- lm(y ~ 0 + x, data)
    est <- drop(tests %*% coef(fit)); se <- sqrt(diag(tests %*% vcov(fit) %*% t(tests)))
    return(2 * pt(-abs(est / se), fit$df.residual))
  }
  fit <- suppressMessages(suppressWarnings(lmer(form, data, control = quiet)))
  plain <- vcov(fit); adjusted <- vcovAdj(fit); beta <- fixef(fit)
  apply(tests, 1, function(l) {
    t <- sum(l * beta) / sqrt(drop(t(l) %*% as.matrix(adjusted) %*% l))
    2 * pt(-abs(t), Lb_ddf(l, plain, adjusted))
  })
}

one_design <- function(file) {
  design <- fromJSON(file)
  bars <- paste(sprintf("(1 | %s)", names(design$groups)), collapse = " + ")
  form <- if (length(design$groups)) as.formula(paste("y ~ 0 + x +", bars)) else NULL
  p <- apply(design$y, 1, function(y) tryCatch(p_values(y, design, form),
                                               error = function(e) rep(NA_real_, length(design$names))))
  p <- matrix(p, nrow = length(design$names))
  cat(design$design, "\n", file = stderr())
  list(design = design$design, contrasts = I(design$names), trials = nrow(design$y), answered = I(rowSums(!is.na(p))),
       rejected = I(rowSums(p < 0.05, na.rm = TRUE)), first_p = signif(p[, 1:10, drop = FALSE], 10))
}
results <- mclapply(files, one_design, mc.cores = 2, mc.preschedule = FALSE)
versions <- list(R = as.character(getRversion()), lme4 = as.character(packageVersion("lme4")),
                 pbkrtest = as.character(packageVersion("pbkrtest")))
write_json(list(versions = versions, designs = results), commandArgs(TRUE)[2], digits = NA, auto_unbox = TRUE)
