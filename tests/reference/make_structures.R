# Reference values of models with residual variances by group and serial correlation, from R; part of
# make_reference.R, which sources this file (Rscript make_reference.R structures runs this part alone).
# Reads structures.json; writes nlme.json and simulated trials with what lmer and pbkrtest say of each.
# Each model twice: nlme (lme or gls), whose optimiser stops at 1e-5 to 1e-7 in the parameters, and the dense
# restricted likelihood, taken from nlme's parameters to its maximum by Newton's method (gradient < 1e-10).

# ---- data ---------------------------------------------------------------------------------------

# 10 pairs, 2 treatments, cores at uneven days, 8 readings missing; each bale drifts, net varies more.
make_serial <- function() {
  serial <- expand.grid(day = c(3, 14, 45, 120, 240), trt = c("film", "net"), pair = 1:10)
  serial$bale <- paste(serial$pair, serial$trt, sep = ":")
  serial$y <- c(3.3929, 3.5681, 3.1005, 2.2417, 2.5538, 3.6839, NA, 3.3327, 2.6959, 2.9669,
                4.3574, 4.357, 4.0267, 4.1747, 4.3103, 4.4335, 4.3176, 4.4345, 4.8175, 4.3942,
                2.6815, 2.5913, NA, NA, 2.4166, 4.2078, 4.0946, 4.15, 2.471, 3.1213,
                4.0583, 4.1506, 3.9544, 4.1234, 3.9128, 4.2662, 4.6536, 4.9242, 3.5805, 3.587,
                3.1424, 3.0431, 3.0119, 3.1538, 2.965, 3.9005, 3.964, 3.8111, 3.0831, 3.9572,
                3.5121, 3.4376, 3.5708, 3.9834, 3.3415, 4.4492, 4.0614, NA, 3.8865, 2.9002,
                3.0324, 3.0836, 3.1075, 3.3701, 3.3917, 2.3828, 2.5908, 3.5163, 2.8617, 4.0561,
                NA, NA, NA, 4.1583, 3.996, 4.7114, 4.391, 3.9687, 3.9363, 3.6062,
                3.2647, 3.0171, 3.3937, 3.0964, 3.7643, 3.7969, 4.256, 4.529, 3.129, 4.2047,
                3.121, 2.9554, 2.8614, 2.5883, 2.7207, 3.759, 3.3966, 3.297, NA, 2.0512)
  write_data(serial[!is.na(serial$y), ], "made_serial.csv")
}

# Data that this script cannot make are copied from the folder it is given: the complete rows of fev_data of the R
# package mmrm (openpharma, commit ec290b2), with its licence (Apache-2.0).
copy_given <- function(folder) {
  stopifnot(file.copy(file.path(folder, "fev_data.csv"), "data", overwrite = TRUE),
            file.copy("/usr/share/common-licenses/Apache-2.0", "data/fev_data.LICENSE", overwrite = TRUE))
}

# ---- the covariance matrix and its derivatives --------------------------------------------------

# cov(r, s) = sum of random intercepts + [same unit] sqrt(s_g s_h) exp(-d / range) + [r = s] s_e; without a
# serial term [r = s] s_g. Parameters: random variances, group variances, range, measurement error.
structure_of <- function(entry, frame) {
  n <- nrow(frame)
  joined <- function(columns) {
    do.call(paste, c(lapply(strsplit(columns, ":")[[1]], function(c) as.character(frame[[c]])), sep = ":"))
  }
  same <- function(columns) outer(joined(columns), joined(columns), `==`) * 1
  group <- if (is.null(entry$residual_by)) rep("", n) else joined(entry$residual_by)
  groups <- sort(unique(group), method = "radix")
  unit <- names(entry$serial)
  nugget <- isTRUE(entry$measurement_error)
  list(
    random = lapply(entry$random, same), group = match(group, groups),
    within = if (is.null(unit)) diag(n) else same(unit),
    distance = if (is.null(unit)) matrix(0, n, n) else as.matrix(dist(frame[unlist(entry$serial[[1]])])),
    serial = !is.null(unit), nugget = nugget,
    names = c(unlist(entry$random), if (length(groups) == 1) "residual" else paste0("residual: ", groups),
              if (!is.null(unit)) "serial range", if (nugget) "measurement error")
  )
}

split_parameters <- function(s, m) {
  r <- length(m$random); g <- max(m$group)
  list(random = s[seq_len(r)], group = s[r + seq_len(g)], range = if (m$serial) s[r + g + 1] else 1,
       nugget = if (m$nugget) s[length(s)] else 0)
}

serial_part <- function(at, m) {
  root <- sqrt(at$group[m$group])
  outer(root, root) * exp(-m$distance / at$range) * m$within
}

covariance_of <- function(s, m) {
  at <- split_parameters(s, m)
  Reduce(`+`, Map(`*`, at$random, m$random), serial_part(at, m)) + at$nugget * diag(length(m$group))
}

derivatives_of <- function(s, m) {
  at <- split_parameters(s, m); K <- serial_part(at, m)
  by_group <- lapply(seq_along(at$group), function(g) {
    own <- (m$group == g) * 1
    K * outer(own, own, `+`) / (2 * at$group[g])
  })
  c(m$random, by_group, if (m$serial) list(K * m$distance / at$range^2),
    if (m$nugget) list(diag(length(m$group))))
}

# Second derivatives: a complex step through the first, exact to rounding; and the first against one through V.
second_derivatives_of <- function(s, m) {
  step <- 1e-30
  first <- derivatives_of(s, m)
  lapply(seq_along(s), function(j) {
    moved <- s + 1i * step * (seq_along(s) == j) * abs(s[j])
    by_step <- Im(covariance_of(moved, m)) / (step * abs(s[j]))
    stopifnot(max(abs(by_step - first[[j]])) < 1e-12 * max(abs(first[[j]])))
    lapply(derivatives_of(moved, m), function(V) Im(V + 0i) / (step * abs(s[j])))
  })
}

# ---- dense restricted likelihood and inference --------------------------------------------------

dense_at <- function(s, X, y, m) {
  V <- covariance_of(s, m); Vi <- chol2inv(chol(V)); ViX <- Vi %*% X
  Phi <- chol2inv(chol(crossprod(X, ViX)))
  P <- Vi - ViX %*% Phi %*% t(ViX); Py <- drop(P %*% y)
  first <- derivatives_of(s, m); second <- second_derivatives_of(s, m)
  PV <- lapply(first, function(d) P %*% d)
  VPy <- sapply(first, function(d) drop(d %*% Py))
  k <- seq_along(s)
  traces <- outer(k, k, Vectorize(function(i, j) sum(PV[[i]] * t(PV[[j]]))))
  bend <- outer(k, k, Vectorize(function(i, j) sum(P * second[[i]][[j]]) - sum(Py * (second[[i]][[j]] %*% Py))))
  list(
    loglik = -0.5 * ((length(y) - ncol(X)) * log(2 * pi) + sum(y * Py)) - sum(log(diag(chol(V)))) + sum(log(diag(chol(Phi)))),
    score = -0.5 * sapply(PV, function(d) sum(diag(d))) + 0.5 * drop(crossprod(VPy, Py)),
    expected = 0.5 * traces, observed = -0.5 * traces + t(VPy) %*% P %*% VPy + 0.5 * bend,
    beta = drop(Phi %*% crossprod(ViX, y)), Phi = Phi,
    Pi = lapply(first, function(d) -t(ViX) %*% d %*% ViX),
    Qij = lapply(first, function(a) lapply(first, function(b) t(ViX) %*% a %*% Vi %*% b %*% ViX))
  )
}

dense_newton <- function(s, X, y, m) {
  for (step in 1:50) {
    at <- dense_at(s, X, y, m)
    if (max(abs(at$score)) < 1e-12) break
    s <- s + solve(at$observed, at$score)
  }
  at <- dense_at(s, X, y, m)
  stopifnot(max(abs(at$score)) < 1e-10, eigen(at$observed)$values > 0)
  list(s = s, at = at)
}

# Kenward & Roger 1997 without second derivatives of V (first order).
first_order <- function(at, W) {
  k <- seq_along(at$Pi); inner <- 0
  for (i in k) for (j in k) inner <- inner + W[i, j] * (at$Qij[[i]][[j]] - at$Pi[[i]] %*% at$Phi %*% at$Pi[[j]])
  at$Phi + 2 * at$Phi %*% inner %*% at$Phi
}

contrast_df <- function(at, l, W) {
  Pl <- drop(at$Phi %*% l)
  g <- sapply(at$Pi, function(Pi) -sum(Pl * (Pi %*% Pl)))
  2 * sum(l * Pl)^2 / drop(t(g) %*% W %*% g)
}

kenward_roger_f <- function(at, L, W) {
  q <- nrow(L); Theta <- t(L) %*% solve(L %*% at$Phi %*% t(L), L)
  U <- lapply(at$Pi, function(Pi) Theta %*% at$Phi %*% Pi %*% at$Phi)
  trace <- function(M) sum(diag(M))
  A1 <- A2 <- 0
  for (i in seq_along(U)) for (j in seq_along(U)) {
    A1 <- A1 + W[i, j] * trace(U[[i]]) * trace(U[[j]]); A2 <- A2 + W[i, j] * trace(U[[i]] %*% U[[j]])
  }
  B <- (A1 + 6 * A2) / (2 * q); g <- ((q + 1) * A1 - (q + 4) * A2) / ((q + 2) * A2)
  d <- 3 * q + 2 * (1 - g); c1 <- g / d; c2 <- (q - g) / d; c3 <- (q + 2 - g) / d
  E <- 1 / (1 - A2 / q); V <- (2 / q) * (1 + c1 * B) / ((1 - c2 * B)^2 * (1 - c3 * B))
  df <- 4 + (q + 2) / (q * V / (2 * E^2) - 1); scaling <- df / (E * (df - 2))
  estimate <- drop(L %*% at$beta)
  f <- scaling * drop(estimate %*% solve(L %*% first_order(at, W) %*% t(L), estimate)) / q
  list(num_df = q, den_df = df, scaling = scaling, statistic = f, p_value = pf(f, q, df, lower.tail = FALSE), a1 = A1, a2 = A2)
}

satterthwaite_f <- function(at, L, W) {
  turned <- eigen(L %*% at$Phi %*% t(L)); rows <- t(turned$vectors) %*% L
  nu <- apply(rows, 1, function(l) contrast_df(at, l, W))
  f <- mean(drop(rows %*% at$beta)^2 / turned$values)
  q <- nrow(L); E <- sum(nu / (nu - 2))
  df <- if (q == 1) nu else 2 * E / (E - q)
  list(num_df = q, den_df = df, statistic = f, p_value = pf(f, q, df, lower.tail = FALSE))
}

# ---- nlme ---------------------------------------------------------------------------------------

by_nlme <- function(entry, frame) {
  read <- function(text) if (is.null(text)) NULL else eval(parse(text = text))
  arguments <- list(as.formula(entry$fixed), data = frame, method = "REML",
                    correlation = read(entry$nlme$correlation), weights = read(entry$nlme$weights))
  if (is.null(entry$nlme$random)) {
    return(do.call(gls, c(arguments, list(control = glsControl(tolerance = 1e-10, msTol = 1e-12, msMaxIter = 500)))))
  }
  do.call(lme, c(arguments, list(random = read(entry$nlme$random),
          control = lmeControl(tolerance = 1e-10, msTol = 1e-12, msMaxIter = 500, maxIter = 500))))
}

# nlme's parameters in the order and meaning of structure_of.
nlme_parameters <- function(fit, entry, m) {
  random <- if (inherits(fit, "lme")) {
    unlist(lapply(rev(fit$modelStruct$reStruct), function(d) drop(as.matrix(d)) * fit$sigma^2))
  }
  groups <- fit$sigma^2
  if (!is.null(entry$residual_by)) {
    ratio <- coef(fit$modelStruct$varStruct, unconstrained = FALSE, allCoef = TRUE)
    groups <- fit$sigma^2 * unname(ratio[sub("residual: ", "", grep("^residual: ", m$names, value = TRUE))])^2
  }
  span <- nugget <- NULL
  if (m$serial) {
    found <- unname(coef(fit$modelStruct$corStruct, unconstrained = FALSE))
    span <- if (inherits(fit$modelStruct$corStruct, "corCAR1")) -1 / log(found) else found[1]
    if (m$nugget) { nugget <- fit$sigma^2 * found[2]; groups <- groups * (1 - found[2]) }
  }
  unname(c(random, groups, span, nugget))
}

structure_block <- function(entry) {
  frame <- data_of(entry)
  m <- structure_of(entry, frame)
  fit <- by_nlme(entry, frame)
  X <- model.matrix(as.formula(entry$fixed), frame); y <- frame[[all.vars(as.formula(entry$fixed))[1]]]
  start <- nlme_parameters(fit, entry, m)
  done <- dense_newton(start, X, y, m); at <- done$at
  stopifnot(abs(as.numeric(logLik(fit)) - at$loglik) < 1e-8, max(abs(start / done$s - 1)) < 1e-4)
  W <- solve(at$expected); W_observed <- solve(at$observed)
  each <- diag(ncol(X)); place <- attr(X, "assign")
  error <- function(covariance) sqrt(diag(covariance))
  df <- function(W) apply(each, 1, function(l) contrast_df(at, l, W))
  block <- list(
    data = if (is.null(entry$csv)) paste(unlist(entry$registry), collapse = "::") else entry$csv,
    source = entry$source, made_with = paste0(R.version.string, "; nlme ", packageVersion("nlme")),
    call = list(fixed = entry$fixed, r = entry$nlme), n = length(y), p = ncol(X),
    fingerprint = fingerprint(frame, setdiff(all.vars(as.formula(entry$fixed)), names(entry$derived))),
    names = colnames(X), parameters = m$names,
    nlme = list(loglik = as.numeric(logLik(fit)), theta = start,
                beta = unname(if (inherits(fit, "lme")) fixef(fit) else coef(fit)),
                std_error = unname(sqrt(diag(as.matrix(vcov(fit)))))),
    loglik = at$loglik, theta = done$s, score = max(abs(at$score)), beta = unname(at$beta), vcov = unname(at$Phi),
    std_error = error(at$Phi), vcov_kr = unname(first_order(at, W)),
    kenward_roger = list(std_error = error(first_order(at, W)), df = df(W)),
    satterthwaite = list(std_error = error(at$Phi), df = df(W_observed)),
    observed_first_order_std_error = error(first_order(at, W_observed)),
    theta_covariance = unname(W), theta_covariance_observed = unname(W_observed),
    tests = lapply(setdiff(unique(place), 0), function(term) {
      L <- each[place == term, , drop = FALSE]
      list(L = L, kenward_roger = kenward_roger_f(at, L, W), satterthwaite = satterthwaite_f(at, L, W_observed))
    })
  )
  message(entry$name, ": logLik ", format(block$loglik, digits = 12), ", score ", format(block$score, digits = 2))
  block
}

# ---- simulated trials, one lmer fit each --------------------------------------------------------

# The bales of simulated trials: rows by pair, binding, time.
power_design <- function(pairs, times) {
  design <- expand.grid(time = times, trt = c("film", "net"), pair = seq_len(pairs))
  data.frame(pair = factor(design$pair), trt = factor(design$trt), time = factor(design$time),
             bale = factor(paste(design$pair, design$trt, sep = ":")))
}

# 200 trials, one a column: mean by binding and time, SD of the pairs 0.4, of the bales and within bales as given.
power_data <- function(seed, design, mean, sd_bale, sd_within) {
  set.seed(seed, kind = "Mersenne-Twister", normal.kind = "Inversion")
  pair <- as.integer(design$pair); bale <- match(design$bale, unique(design$bale))
  mu <- mean[cbind(as.integer(design$time), as.integer(design$trt))]
  sapply(1:200, function(i) {
    u <- rnorm(max(pair), 0, 0.4)[pair]
    b <- if (sd_bale > 0) rnorm(max(bale), 0, sd_bale)[bale] else 0
    mu + u + b + rnorm(nrow(design), 0, sd_within)
  })
}

power_tests <- function(design, y, formula) {
  rows <- lapply(seq_len(ncol(y)), function(i) {
    fit <- lmerTest::lmer(formula, cbind(design, y = y[, i]), control = lmerControl(check.conv.singular = "ignore"))
    table <- anova(fit, type = 3, ddf = "Kenward-Roger")
    c(sim = i, setNames(table[["F value"]], paste0("F_", rownames(table))),
      setNames(table$DenDF, paste0("ddf_", rownames(table))), setNames(table[["Pr(>F)"]], paste0("p_", rownames(table))),
      singular = isSingular(fit) * 1)
  })
  as.data.frame(do.call(rbind, rows))
}

write_power <- function(name, design, y, formula) {
  exact <- function(x, digits) as.data.frame(apply(as.matrix(x), 2, formatC, digits = digits, format = "g"))
  write_data(exact(setNames(as.data.frame(y), paste0("s", seq_len(ncol(y)))), 17), paste0(name, "_y200.csv"))
  write_data(exact(power_tests(design, y, formula), 15), paste0(name, "_p200.csv"))
}

# P1: 8 pairs, one reading a bale. P2: 6 pairs x 2 bindings x 3 times.
make_power <- function() {
  one <- power_design(8, 60); two <- power_design(6, c(14, 60, 180))
  write_power("power_P1", one, power_data(101, one, cbind(0, 0.5), 0, 0.5), y ~ trt + (1 | pair))
  growing <- cbind(c(0, -0.2, -0.5), c(0.2, 0.3, 0.3))
  write_power("power_P2", two, power_data(202, two, growing, 0.3, 0.35), y ~ trt * time + (1 | pair) + (1 | bale))
}

# ---- intervals of variance ratios ---------------------------------------------------------------

# Two independent samples with variances of their own: R's F interval of the ratio.
variance_ratio_block <- function() {
  first <- c(3.12, 3.71, 2.85, 3.02, 4.10, 4.66, 3.55, 3.49, 2.97)
  second <- c(3.88, 1.30, 5.94, 4.42, 6.71, 3.61, 4.35, 2.10, 7.02, 5.15, 0.44, 3.93)
  test <- var.test(second, first, conf.level = 0.95); wide <- var.test(second, first, conf.level = 0.9)
  list(source = "R stats::var.test", made_with = R.version.string, first = first, second = second,
       ratio = unname(test$estimate), df = unname(test$parameter), conf_95 = as.numeric(test$conf.int),
       conf_90 = as.numeric(wide$conf.int), p_value = test$p.value)
}

make_structures <- function() {
  make_serial()
  entries <- fromJSON("structures.json", simplifyVector = FALSE)$models
  blocks <- lapply(entries, structure_block)
  names(blocks) <- sapply(entries, `[[`, "name")
  write_values(list(models = blocks, variance_ratio = variance_ratio_block()), "nlme.json")
  make_power()
}
