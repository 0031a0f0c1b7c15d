# Profile-likelihood intervals of (co)variances by REML, from R, the slow way.
#
# Run by hand, in this folder:   Rscript make_profiles.R
# Needs lme4 and nlme (data and the maximum's check only) and jsonlite. Writes profiles.json.
# Continuous integration never runs this: the tests read what it wrote.
#
# lme4's own profile() is of the ordinary likelihood; so V is written out here, n by n. One (co)variance is held, the
# others are found by optim (BFGS with the analytic gradient), the ends by uniroot. Free variances may be negative.

suppressPackageStartupMessages({
  library(lme4); library(nlme, exclude = c("lmList", "ranef", "fixef", "VarCorr")); library(jsonlite)
})
options(digits = 15)

same <- function(f) outer(f, f, "==") * 1
slope <- function(f, a, b) same(f) * (outer(a, b) + outer(b, a)) / 2

reml <- function(y, X, basis) {
  list(
    deviance = function(theta) {
      V <- Reduce(`+`, Map(`*`, theta, basis))
      R <- tryCatch(chol(V), error = function(e) NULL)
      if (is.null(R)) return(1e10)
      Z <- backsolve(R, cbind(X, y), transpose = TRUE)
      p <- ncol(X); XX <- crossprod(Z[, 1:p, drop = FALSE])
      b <- solve(XX, crossprod(Z[, 1:p, drop = FALSE], Z[, p + 1]))
      e <- Z[, p + 1] - Z[, 1:p, drop = FALSE] %*% b
      (length(y) - p) * log(2 * pi) + 2 * sum(log(diag(R))) + as.numeric(determinant(XX)$modulus) + sum(e^2)
    },
    gradient = function(theta) {
      Vi <- chol2inv(chol(Reduce(`+`, Map(`*`, theta, basis))))
      P <- Vi - Vi %*% X %*% solve(t(X) %*% Vi %*% X, t(X) %*% Vi)
      Py <- P %*% y
      sapply(basis, function(B) sum(P * B) - sum(Py * (B %*% Py)))
    }
  )
}

best <- function(model, start, held = integer(0)) {
  free <- setdiff(seq_along(start), held)
  scale <- pmax(abs(start[free]), 1e-3 * max(abs(start)))
  put <- function(x) replace(start, free, x)
  if (!length(free)) return(list(value = model$deviance(start), theta = start))
  x <- start[free]
  for (i in 1:2) {
    fit <- optim(x, function(x) model$deviance(put(x)), function(x) model$gradient(put(x))[free], method = "BFGS",
                 control = list(reltol = 1e-16, maxit = 1000, parscale = scale))
    x <- fit$par
  }
  list(value = fit$value, theta = put(x))
}

interval <- function(model, top, j, level = 0.95) {
  limit <- top$value + qchisq(level, 1)
  m <- length(top$theta)
  # A start at which V is positive definite: all scaled alike when the residual is held, else more residual variance.
  sound <- function(near, x) {
    if (j == m) return(near * x / near[m])
    near[j] <- x
    while (model$deviance(near) >= 1e10) near[m] <- near[m] * 1.5
    near
  }
  end <- function(side) {
    near <- top$theta; step <- 0.1 * abs(top$theta[j]) + 1e-3; inner <- top$theta[j]
    repeat {
      x <- inner + side * step
      if (j == m && x <= 0) { step <- step / 2; next }
      fit <- best(model, sound(near, x), held = j)
      if (fit$value > limit) break
      inner <- x; near <- fit$theta
      step <- step * 1.5
    }
    f <- function(x) best(model, sound(near, x), held = j)$value - limit
    uniroot(f, sort(c(inner, x)), tol = 1e-8 * abs(x - inner))$root
  }
  c(end(-1), end(1))
}

profiles <- function(y, X, basis, start) {
  model <- reml(y, X, basis)
  top <- best(model, start)
  ends <- lapply(seq_along(start), function(j) { message(".", appendLF = FALSE); interval(model, top, j) })
  message(" ", proc.time()["elapsed"])
  list(theta = top$theta, deviance = top$value, low = sapply(ends, `[`, 1), high = sapply(ends, `[`, 2))
}

# Ends for the correlation of intercept and slope: held, with the three SDs (on the log scale) found by optim.
correlation <- function(y, X, basis, sds) {
  model <- reml(y, X, basis)
  theta <- function(r, x) { s <- exp(x); c(s[1]^2, r * s[1] * s[2], s[2]^2, s[3]^2) }
  held <- function(r) {
    x <- log(sds)
    for (i in 1:4) {
      fit <- optim(x, function(x) model$deviance(theta(r, x)), method = "Nelder-Mead",
                   control = list(reltol = 1e-14, maxit = 5000))
      x <- fit$par
    }
    fit$value
  }
  top <- optimize(held, c(-0.9, 0.9), tol = 1e-6)
  f <- function(r) held(r) - top$objective - qchisq(0.95, 1)
  list(estimate = top$minimum, low = uniroot(f, c(-0.95, top$minimum), tol = 1e-8)$root,
       high = uniroot(f, c(top$minimum, 0.95), tol = 1e-8)$root)
}

zero <- read.csv("data/made_paired_zero.csv")
out <- list(
  made_with = paste(R.version.string, "lme4", packageVersion("lme4"), "nlme", packageVersion("nlme"), sep = "; "),
  Dyestuff = with(lme4::Dyestuff, profiles(Yield, cbind(rep(1, 30)), list(same(Batch), diag(30)), c(1700, 2400))),
  sleepstudy_ri = with(lme4::sleepstudy, profiles(Reaction, cbind(1, Days), list(same(Subject), diag(180)), c(1300, 900))),
  sleepstudy_rs_corr = with(lme4::sleepstudy, profiles(Reaction, cbind(1, Days),
    list(same(Subject), 2 * slope(Subject, rep(1, 180), Days), slope(Subject, Days, Days), diag(180)), c(600, 9, 35, 650))),
  Oats_factor = with(nlme::Oats, profiles(yield, model.matrix(~ factor(nitro) * factor(as.character(Variety))),
    list(same(as.character(Block)), same(paste(Block, Variety)), diag(72)), c(214, 106, 177))),
  made_paired_zero = with(zero, profiles(y, model.matrix(~trt), list(same(pair), diag(16)), c(-0.1, 0.3))),
  correlation = with(lme4::sleepstudy, correlation(Reaction, cbind(1, Days),
    list(same(Subject), 2 * slope(Subject, rep(1, 180), Days), slope(Subject, Days, Days), diag(180)), c(24.7, 5.9, 25.6)))
)
write(toJSON(out, digits = 15, auto_unbox = TRUE, pretty = TRUE), "profiles.json")
