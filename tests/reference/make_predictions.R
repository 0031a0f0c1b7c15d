# Predictions of units that are in the data, from Henderson's mixed-model equations, the slow way.
#
# Run by hand, in this folder:   Rscript make_predictions.R
# Needs lme4 (variances), nlme (data) and jsonlite. Writes predictions.json.
# Continuous integration never runs this: the tests read what it wrote.
#
# plain: (x, z)' C^-1 (x, z) with C the matrix of the mixed-model equations, solved as it stands.
# adjusted: plain plus twice what estimating the variances adds (Harville & Jeske 1992), from central differences
# of the weights of the predictor; df by Satterthwaite from central differences of plain. W is the inverse of the
# expected information, from V written out n by n.

suppressPackageStartupMessages({
  library(lme4); library(nlme, exclude = c("lmList", "ranef", "fixef", "VarCorr")); library(jsonlite)
})
options(digits = 15)

design <- function(y, X, Z, G, theta) list(y = y, X = X, Z = Z, G = G, theta = theta)
variance <- function(d, theta) d$Z %*% d$G(theta) %*% t(d$Z) + theta[length(theta)] * diag(length(d$y))

# Henderson: estimate and prediction error variance of x'b + z'u.
henderson <- function(d, theta, x, z) {
  s <- theta[length(theta)]
  W <- cbind(d$X, d$Z)
  p <- ncol(d$X)
  C <- crossprod(W) / s
  C[-(1:p), -(1:p)] <- C[-(1:p), -(1:p)] + solve(d$G(theta))
  C <- solve(C)
  w <- c(x, z)
  list(estimate = sum(w * (C %*% crossprod(W, d$y) / s)), variance = as.numeric(t(w) %*% C %*% w))
}

# Weights a of the predictor a'y.
weights <- function(d, theta, x, z) {
  Vi <- solve(variance(d, theta)); X <- d$X
  g <- d$Z %*% d$G(theta) %*% z
  Vi %*% g + Vi %*% X %*% solve(t(X) %*% Vi %*% X, x - t(X) %*% Vi %*% g)
}

difference <- function(f, theta, i) {
  h <- 1e-4 * max(abs(theta[i]), 1e-2 * max(abs(theta))); e <- replace(0 * theta, i, h)
  (8 * (f(theta + e) - f(theta - e)) - (f(theta + 2 * e) - f(theta - 2 * e))) / (12 * h)
}

information <- function(d) {
  Vi <- solve(variance(d, d$theta)); X <- d$X
  P <- Vi - Vi %*% X %*% solve(t(X) %*% Vi %*% X, t(X) %*% Vi)
  m <- seq_along(d$theta)
  PV <- lapply(m, function(i) P %*% difference(function(t) variance(d, t), d$theta, i))
  outer(m, m, Vectorize(function(i, j) sum(PV[[i]] * t(PV[[j]])) / 2))
}

predictions <- function(d, targets, extra) {
  W <- solve(information(d)); V <- variance(d, d$theta); m <- seq_along(d$theta)
  found <- lapply(targets, function(t) {
    naive <- henderson(d, d$theta, t$x, t$z)
    A <- sapply(m, function(i) difference(function(s) weights(d, s, t$x, t$z), d$theta, i))
    adds <- sum(W * (t(A) %*% V %*% A))
    new <- function(theta) henderson(d, theta, t$x, t$z)$variance + sum(extra * theta)
    g <- sapply(m, function(i) difference(new, d$theta, i))
    list(estimate = naive$estimate, plain = naive$variance + sum(extra * d$theta),
         adjusted = naive$variance + 2 * adds + sum(extra * d$theta),
         df = 2 * new(d$theta)^2 / as.numeric(t(g) %*% W %*% g))
  })
  lapply(c(estimate = "estimate", plain = "plain", adjusted = "adjusted", df = "df"), function(n) sapply(found, `[[`, n))
}

one_of <- function(n, i) replace(numeric(n), i, 1)

tight <- lmerControl(optCtrl = list(xtol_abs = 1e-12, ftol_abs = 1e-14, xtol_rel = 1e-14, ftol_rel = 1e-16))

# Correlated intercepts and slopes: a new day of people in the data.
fit <- lmer(Reaction ~ Days + (1 + Days | Subject), sleepstudy, REML = TRUE, control = tight)
v <- as.data.frame(VarCorr(fit), order = "lower.tri")
people <- levels(sleepstudy$Subject); n <- length(people)
Z <- do.call(cbind, lapply(people, function(p) (sleepstudy$Subject == p) * cbind(1, sleepstudy$Days)))
sleep <- design(sleepstudy$Reaction, cbind(1, sleepstudy$Days), Z,
                function(t) kronecker(diag(n), matrix(c(t[1], t[2], t[2], t[3]), 2)), v$vcov)
asked <- list(c("308", 0), c("309", 4.5), c("372", 12))
at <- function(who, day) list(x = c(1, day), z = kronecker(one_of(n, match(who, people)), c(1, day)))
person <- lapply(asked, function(a) at(a[1], as.numeric(a[2])))
effects <- unlist(lapply(1:3, function(i) lapply(1:2, function(k)
  list(x = c(0, 0), z = kronecker(one_of(n, i), one_of(2, k))))), recursive = FALSE)

# Nested blocks: a known block's new plot, and a known plot.
oats <- nlme::Oats
oats$Block <- as.character(oats$Block); oats$plot <- paste(oats$Block, oats$Variety, sep = ":")
oats$Variety <- factor(as.character(oats$Variety)); oats$N <- factor(oats$nitro)
fit <- lmer(yield ~ N * Variety + (1 | Block) + (1 | plot), oats, REML = TRUE, control = tight)
v <- as.data.frame(VarCorr(fit)); v <- setNames(v$vcov, v$grp)
blocks <- sort(unique(oats$Block)); plots <- sort(unique(oats$plot))
Z <- cbind(outer(oats$Block, blocks, "==") * 1, outer(oats$plot, plots, "==") * 1)
X <- model.matrix(~ N * Variety, oats)
nested <- design(oats$yield, X, Z, function(t) diag(rep(t[1:2], c(6, 18))), unname(v[c("Block", "plot", "Residual")]))
grid <- model.matrix(~ N * Variety, data.frame(N = factor("0.2", levels(oats$N)),
                                               Variety = factor(c("Marvellous", "Victory"), levels(oats$Variety))))
who <- list(c("III", "III:Marvellous"), c("VI", "VI:Victory"))
block <- lapply(1:2, function(i) list(x = grid[i, ], z = c(one_of(6, match(who[[i]][1], blocks)), numeric(18))))
plot <- lapply(1:2, function(i) list(x = grid[i, ], z = c(one_of(6, match(who[[i]][1], blocks)),
                                                          one_of(18, match(who[[i]][2], plots)))))

out <- list(
  made_with = paste(R.version.string, "lme4", packageVersion("lme4"), "nlme", packageVersion("nlme"), sep = "; "),
  new_day = c(list(Subject = sapply(asked, `[`, 1), Days = as.numeric(sapply(asked, `[`, 2))),
              predictions(sleep, person, c(0, 0, 0, 1))),
  person_mean = predictions(sleep, person, c(0, 0, 0, 0)),
  effects = predictions(sleep, effects, c(0, 0, 0, 0)),
  new_plot = predictions(nested, block, c(0, 1, 1)),
  known_plot = predictions(nested, plot, c(0, 0, 1))
)
write(toJSON(out, digits = 15, auto_unbox = TRUE, pretty = TRUE), "predictions.json")
