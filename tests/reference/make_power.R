# Power of t and F tests, sample sizes, equivalence and chi-square factors, from R's own functions.
#
# Run by hand, in this folder:   Rscript make_power.R
# Needs jsonlite. Writes power.json. Continuous integration never runs this.
#
# power.t.test with strict = TRUE counts both tails; equivalence by integrate() over the standard deviation of Owen's
# integral, and by 2e6 drawn trials beside it; the split-plot by the expected mean squares and pf's noncentral F.
library(jsonlite)
options(digits = 15)
alpha <- 0.05

t_rows <- do.call(rbind, lapply(list(
  list("paired", c(4, 6, 8, 12, 20), 0.5, 0.7), list("one.sample", c(5, 10, 15), 1, 1.2),
  list("two.sample", c(5, 10, 20, 40), 0.8, 1)), function(x)
  data.frame(type = x[[1]], n = x[[2]], delta = x[[3]], sd = x[[4]], power = sapply(x[[2]], function(n)
    power.t.test(n, x[[3]], x[[4]], alpha, type = x[[1]], strict = TRUE)$power))))

size <- function(power, delta, sd) power.t.test(NULL, delta, sd, alpha, power, type = "paired", strict = TRUE,
                                                tol = 1e-12)$n
n_rows <- data.frame(power = c(0.8, 0.9), delta = 0.5, sd = 0.7)
n_rows$n <- mapply(size, n_rows$power, n_rows$delta, n_rows$sd)

f_rows <- data.frame(df1 = c(1, 2, 2, 3), df2 = c(7, 20, 20, 12.5), ncp = c(4, 8, 4.40816326530612, 11))
f_rows$power <- with(f_rows, pf(qf(1 - alpha, df1, df2), df1, df2, ncp, lower.tail = FALSE))

# Two bindings at each of the openings on 6 pairs, bales cored again and again: SD pair .4, bale .3, core .35.
change <- c(0.2, 0.5, 0.8); pairs <- 6; bale <- 0.3^2; core <- 0.35^2; k <- length(change)
main <- mean(change)^2 / (2 * (bale + core / k) / pairs)
inter <- sum((change - mean(change))^2) / (2 * core / pairs)
split_plot <- list(
  average = pf(qf(0.95, 1, pairs - 1), 1, pairs - 1, main, lower.tail = FALSE),
  interaction = pf(qf(0.95, k - 1, 2 * (pairs - 1) * (k - 1)), k - 1, 2 * (pairs - 1) * (k - 1), inter,
                   lower.tail = FALSE))

owen <- function(delta, se, df, margin, alpha = 0.05) {
  t <- qt(1 - alpha, df)
  f <- function(u) pmax(pnorm((margin - delta) / se - t * u) - pnorm((-margin - delta) / se + t * u), 0) *
    2 * df * u * dchisq(df * u^2, df)
  integrate(f, 0, margin / (t * se), rel.tol = 1e-12, abs.tol = 1e-13, subdivisions = 2000L)$value
}
drawn <- function(delta, se, df, margin, draws = 2e6) {
  e <- rnorm(draws, delta, se); half <- qt(0.95, df) * se * sqrt(rchisq(draws, df) / df)
  mean(e + half < margin & e - half > -margin)
}
tost <- data.frame(delta = c(0, 0, 0.1, -0.05, 0), sd = c(0.4, 0.4, 0.3, 0.25, 0.3), n = c(4, 12, 10, 20, 3),
                   margin = c(0.5, log(1.25), 0.4, 0.2, 0.8))
tost$power <- with(tost, mapply(owen, delta, sd / sqrt(n), n - 1, margin))
set.seed(20260101)
tost$drawn <- with(tost, mapply(drawn, delta, sd / sqrt(n), n - 1, margin))

ni <- data.frame(delta = c(0, 0.1), se = c(0.2, 0.1), df = c(7, 19), margin = c(0.5, 0.35))
ni$power <- with(ni, pt(qt(0.975, df), df, (margin - delta) / se, lower.tail = FALSE))

factor <- data.frame(df = c(5, 11, 3.4))
factor$value <- with(factor, df / qchisq(0.2, df))

# Power of a paired trial averaged over the variance that nu degrees of freedom leave possible.
averaged <- function(n, delta, sd, nu) integrate(function(x) sapply(x, function(y) {
  s <- sd * sqrt(nu / y); ncp <- delta / (s / sqrt(n)); q <- qt(0.975, n - 1)
  (pt(q, n - 1, ncp, lower.tail = FALSE) + pt(-q, n - 1, ncp)) * dchisq(y, nu)
}), 0, Inf, rel.tol = 1e-9)$value
expected <- data.frame(n = c(8, 12), delta = 0.5, sd = 0.7, nu = c(5, 11))
expected$power <- with(expected, mapply(averaged, n, delta, sd, nu))

write(toJSON(list(made_with = paste(R.version.string, "stats"), t = t_rows, paired_n = n_rows, f = f_rows,
                  split_plot = split_plot, equivalence = tost, non_inferiority = ni, factor = factor,
                  expected = expected), digits = 15, auto_unbox = TRUE, pretty = TRUE), "power.json")
