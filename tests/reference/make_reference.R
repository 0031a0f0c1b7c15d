# Reference values of linear mixed models, from R.
#
# Run by hand, in this folder:   Rscript make_reference.R [structures] [folder of given data]
# With "structures" only the models of make_structures.R are made again; with a folder, the data that no script can
# make are copied from there first.
# Needs lme4, lmerTest, pbkrtest, emmeans, nlme, numDeriv, geepack, MASS, jsonlite (all in Debian, r-cran-*).
# Reads catalogue.json and structures.json; writes lmm.json, tables.json, nlme.json and the data sets of data/ that no
# registry has.
# Continuous integration never runs this: the tests read what it wrote.
#
# Every lmer fit is polished: Newton steps on the dense REML deviance in the (co)variances, with analytic
# first and second derivatives, give the optimum to about 1e-12; lmer is then evaluated exactly there and
# handed to pbkrtest, lmerTest and emmeans. Plain lmer stops at about 1e-5 in the variances.

suppressPackageStartupMessages({
  library(lme4); library(lmerTest); library(pbkrtest); library(emmeans)
  library(nlme, exclude = c("lmList", "ranef", "fixef", "VarCorr")); library(jsonlite)
})
options(contrasts = c("contr.treatment", "contr.poly"), digits = 15)
emm_options(lmerTest.limit = 1e5, pbkrtest.limit = 1e5)

packages <- c("lme4", "lmerTest", "pbkrtest", "emmeans", "nlme", "numDeriv", "geepack", "MASS", "jsonlite")
made_with <- paste(c(R.version.string, sapply(packages, function(p) paste(p, packageVersion(p)))), collapse = "; ")

# ---- data ---------------------------------------------------------------------------------------

write_data <- function(frame, file) write.csv(frame, file.path("data", file), row.names = FALSE, quote = FALSE)

make_data <- function() {
  dir.create("data", showWarnings = FALSE)
  pairs8 <- data.frame(pair = rep(1:8, each = 2), trt = rep(c("film", "net"), 8))
  write_data(cbind(pairs8, y = c(3.12, 3.71, 2.85, 3.02, 4.10, 4.66, 3.55, 3.49, 2.97, 3.88, 3.30, 3.94,
                                 4.42, 4.71, 3.61, 4.35)), "made_paired.csv")
  write_data(cbind(pairs8, y = c(3.9, 3.6, 2.9, 4.4, 3.1, 4.1, 3.6, 3.7, 3.0, 4.5, 3.8, 3.3, 3.3, 4.2, 3.7, 3.5)),
             "made_paired_zero.csv")
  split <- expand.grid(day = c(14, 60, 120, 240), trt = c("film", "net"), pair = 1:6)
  split$bale <- paste(split$pair, split$trt, sep = ":")
  split$y <- c(4.46, 4.634, 4.105, 4.486, 5.553, 4.438, 3.97, 4.073, 5.313, 4.976, 5.99, 5.561,
               5.395, 5.845, 5.691, 5.055, 4.46, 4.125, 4.253, 3.927, 5.519, 5.622, 5.068, 4.401,
               5.203, 5.257, 5.549, 4.945, 5.421, 5.805, 5.467, 5.044, 4.684, 5.359, 5.746, 4.865,
               4.712, 4.611, 5.034, 4.269, 6.4, 5.319, 5.776, 5.406, 6.095, 6.264, 5.964, 5.689)
  write_data(split, "made_splitplot_time.csv")
  blocks <- data.frame(block = rep(1:7, each = 3),
                       trt = c(1, 2, 4, 2, 3, 5, 3, 4, 6, 4, 5, 7, 5, 6, 1, 6, 7, 2, 7, 1, 3))
  write_data(cbind(blocks, y = c(10.793, 9.996, 10.868, 9.955, 10.621, 11.475, 11.334, 11.662, 12.299, 11.756,
                                 12.507, 12.696, 11.942, 11.881, 11.103, 11.843, 12.213, 10.274, 12.372, 11.705,
                                 11.143)), "made_bibd.csv")
  write_data(data.frame(block = rep(1:7, c(3, 3, 2, 3, 3, 3, 2)),
                        trt = strsplit("ABAABBABCCCCCCABDDD", "")[[1]],
                        y = c(4.758, 5.743, 5.132, 5.627, 5.797, 5.918, 4.448, 4.926, 6.136, 6.781, 6.184, 6.145,
                              6.458, 6.008, 4.77, 5.979, 5.548, 5.638, 5.695)), "made_strata.csv")
  lost <- c(1, 2, 3, 5, 8, 13, 21, 22, 34, 40, 41, 66, 72)
  write_data(as.data.frame(nlme::Oats)[-lost, c("Block", "Variety", "nitro", "yield")], "Oats_unbal.csv")
  lost <- c(3, 9, 14, 27, 33:36, 58, 71, 90:95, 113, 140, 141, 165, 178)
  write_data(lme4::sleepstudy[-lost, ], "sleepstudy_unbal.csv")
  write_data(getExportedValue("pbkrtest", "beets"), "beets.csv")
}

# The data of a catalogue entry: R's own object or a file of data/, factors with the levels the entry names.
data_of <- function(entry) {
  frame <- if (is.null(entry$csv)) {
    get(data(list = entry$registry[[2]], package = entry$registry[[1]], envir = environment()))
  } else {
    read.csv(file.path("data", entry$csv))
  }
  frame <- as.data.frame(frame)
  for (name in names(entry$at_most)) frame <- frame[frame[[name]] <= entry$at_most[[name]], ]
  for (name in names(entry$derived)) frame[[name]] <- format_number(frame[[entry$derived[[name]]]])
  groups <- if (is.null(entry$r_random)) c(unlist(entry$random), names(entry$serial)) else {
    setdiff(all.vars(as.formula(paste("~", entry$r_random))), names(frame)[sapply(frame, is.numeric) &
            names(frame) %in% slopes_of(entry)])
  }
  for (name in groups) frame[[name]] <- factor(as.character(frame[[name]]))
  for (name in names(entry$levels)) {
    frame[[name]] <- factor(as.character(frame[[name]]), levels = unlist(entry$levels[[name]]))
    stopifnot(!anyNA(frame[[name]]))
  }
  frame
}
format_number <- function(x) formatC(x, format = "g")
slopes_of <- function(entry) unlist(lapply(findbars(as.formula(paste("y ~", entry$r_random))), function(b) all.vars(b[[2]])))

# Numbers by which the tests see that the registry's rows are these rows, in this order.
fingerprint <- function(frame, columns) {
  index <- seq_len(nrow(frame))
  lapply(frame[columns], function(x) {
    if (!is.numeric(x)) x <- match(as.character(x), sort(unique(as.character(x)), method = "radix"))
    sum(index * x)
  })
}

# ---- the REML optimum, dense --------------------------------------------------------------------

# V = sum_i s_i V_i in variances and covariances: for columns a, b of one term Z_a Z_a' or Z_a Z_b' + Z_b Z_a'.
# theta() turns s into lme4's relative Cholesky factors, term by term, each filled by columns.
covariance_basis <- function(fit) {
  names_ <- getME(fit, "cnms")
  columns <- lapply(getME(fit, "Ztlist"), function(z) t(as.matrix(z)))
  V <- list(); slots <- list(); at <- 0
  for (term in seq_along(names_)) {
    k <- length(names_[[term]])
    for (b in seq_len(k)) for (a in b:k) {
      Za <- columns[[at + a]]; Zb <- columns[[at + b]]
      V[[length(V) + 1]] <- if (a == b) tcrossprod(Za) else tcrossprod(Za, Zb) + tcrossprod(Zb, Za)
      slots[[length(V)]] <- list(term = term, a = a, b = b)
    }
    at <- at + k
  }
  list(V = c(V, list(diag(nobs(fit)))), slots = slots, sizes = lengths(names_))
}

start_of <- function(fit, basis) {
  G <- lapply(VarCorr(fit), as.matrix)
  c(sapply(basis$slots, function(p) G[[p$term]][p$a, p$b]), sigma(fit)^2)
}

theta_of <- function(s, basis) {
  sigma2 <- s[length(s)]
  unlist(lapply(seq_along(basis$sizes), function(term) {
    G <- matrix(0, basis$sizes[term], basis$sizes[term])
    for (i in seq_along(basis$slots)) {
      p <- basis$slots[[i]]
      if (p$term == term) G[p$a, p$b] <- G[p$b, p$a] <- s[i]
    }
    L <- if (all(G == 0)) G else t(chol(G / sigma2))
    L[lower.tri(L, diag = TRUE)]
  }))
}

# Log-likelihood l = -1/2 [(n-p) log 2pi + log|V| + log|X'V^-1X| + (y-Xb)'V^-1(y-Xb)], its score and observed
# information in s (Searle, Casella & McCulloch 1992, Variance Components).
reml <- function(s, X, y, V_list) {
  V <- Reduce(`+`, Map(`*`, s, V_list))
  Vi <- chol2inv(chol(V)); ViX <- Vi %*% X
  Phi <- chol2inv(chol(crossprod(X, ViX)))
  P <- Vi - ViX %*% Phi %*% t(ViX); Py <- drop(P %*% y)
  PV <- lapply(V_list, function(Vk) P %*% Vk)
  VPy <- sapply(V_list, function(Vk) drop(Vk %*% Py))
  traces <- outer(seq_along(s), seq_along(s), Vectorize(function(i, j) sum(PV[[i]] * t(PV[[j]]))))
  list(
    loglik = -0.5 * (length(y) - ncol(X)) * log(2 * pi) - sum(log(diag(chol(V)))) +
      sum(log(diag(chol(Phi)))) - 0.5 * sum(y * Py),
    score = -0.5 * sapply(PV, function(m) sum(diag(m))) + 0.5 * drop(crossprod(VPy, Py)),
    observed = -0.5 * traces + t(VPy) %*% P %*% VPy,
    beta = drop(Phi %*% crossprod(ViX, y)), Phi = Phi
  )
}

newton <- function(s, X, y, V_list, free) {
  for (step in 1:50) {
    at <- reml(s, X, y, V_list)
    move <- solve(at$observed[free, free], at$score[free])
    s[free] <- s[free] + move
    if (sum(move * at$score[free]) < 1e-22) break
  }
  list(s = s, at = reml(s, X, y, V_list), decrement = sum(move * at$score[free]))
}

# lmer evaluated at a given theta: the "optimiser" returns it at once.
lmer_at <- function(formula, frame, theta) {
  stay <- function(fn, par, lower, upper, control) list(par = theta, fval = fn(theta), conv = 0, message = "given")
  eval(bquote(lmerTest::lmer(.(formula), data = frame, control = lmerControl(optimizer = .(stay),
       calc.derivs = FALSE, check.conv.singular = "ignore"))))
}

# A slope correlation at the edge: the last diagonal theta is 0. Newton on lmer's own deviance in the free thetas.
edge_theta <- function(fit) {
  devfun <- update(fit, devFunOnly = TRUE)
  theta <- getME(fit, "theta"); free <- abs(theta) > 1e-4; theta[!free] <- 0
  along <- function(x) { full <- theta; full[free] <- x; devfun(full) }
  for (step in 1:4) {
    theta[free] <- theta[free] - solve(numDeriv::hessian(along, theta[free]), numDeriv::grad(along, theta[free]))
  }
  theta
}

polish <- function(formula, frame) {
  fit <- lmerTest::lmer(formula, data = frame, control = lmerControl(check.conv.singular = "ignore"))
  basis <- covariance_basis(fit)
  s <- start_of(fit, basis)
  X <- getME(fit, "X"); y <- getME(fit, "y")
  theta <- getME(fit, "theta")
  correlated <- any(basis$sizes > 1)
  if (correlated && any(theta[getME(fit, "lower") == 0] < 1e-4)) {
    theta <- edge_theta(fit)
    decrement <- NA
  } else {
    zero <- c(theta < 1e-4 & getME(fit, "lower") == 0, FALSE)
    s[zero] <- 0
    found <- newton(s, X, y, basis$V, which(!zero))
    theta <- theta_of(found$s, basis)
    decrement <- found$decrement
  }
  fit <- lmer_at(formula, frame, theta)
  dense <- reml(start_of(fit, basis), X, y, basis$V)
  stopifnot(abs(dense$loglik - as.numeric(logLik(fit))) < 1e-8,
            max(abs(dense$beta - fixef(fit)) / sqrt(diag(dense$Phi))) < 1e-8)
  if (!is.na(decrement)) stopifnot(max(abs(start_of(fit, basis) / found$s - 1)[!zero]) < 1e-9)
  list(fit = fit, dense = dense, decrement = decrement)
}

# ---- what is written of one model ---------------------------------------------------------------

plain <- function(x) unname(as.matrix(x))

coefficient_block <- function(fit, method) {
  rows <- lapply(seq_along(fixef(fit)), function(j) {
    L <- as.numeric(seq_along(fixef(fit)) == j)
    contest1D(fit, L, ddf = method)
  })
  rows <- do.call(rbind, rows)
  list(std_error = rows[["Std. Error"]], df = rows$df, statistic = rows[["t value"]], p_value = rows[["Pr(>|t|)"]])
}

term_tests <- function(fit) {
  if (length(fixef(fit)) == 1) return(list())
  Ls <- show_tests(anova(fit, type = 3, ddf = "Satterthwaite"))
  lapply(names(Ls), function(term) {
    L <- plain(Ls[[term]])
    kr <- KRmodcomp(fit, L); ftest <- kr$test["Ftest", ]
    satt <- contestMD(fit, L, ddf = "Satterthwaite")
    list(term = term, L = L,
         kenward_roger = list(num_df = ftest$ndf, den_df = ftest$ddf, statistic = ftest$stat,
                              scaling = ftest$F.scaling, p_value = ftest$p.value, a1 = unname(kr$aux["A1"]),
                              a2 = unname(kr$aux["A2"])),
         satterthwaite = list(num_df = satt$NumDF, den_df = satt$DenDF, statistic = satt[["F value"]],
                              p_value = satt[["Pr(>F)"]]))
  })
}

emm_columns <- function(grid, by) {
  rows <- as.data.frame(summary(grid, infer = c(TRUE, TRUE), adjust = "none", level = 0.95))
  value <- intersect(c("emmean", "estimate"), names(rows))
  list(labels = lapply(rows[setdiff(names(rows), c(value, "SE", "df", "lower.CL", "upper.CL", "t.ratio", "p.value"))],
                       as.character),
       linfct = plain(grid@linfct), estimate = rows[[value]], std_error = rows$SE, df = rows$df,
       conf_low = rows$lower.CL, conf_high = rows$upper.CL, statistic = rows$t.ratio, p_value = rows$p.value)
}

adjusted <- function(fit, spec, frame) {
  by_method <- lapply(c(kenward_roger = "kenward-roger", satterthwaite = "satterthwaite"), function(method) {
    means <- emmeans(fit, as.formula(spec), lmer.df = method, data = frame)
    list(means = emm_columns(means), pairs = emm_columns(pairs(means, adjust = "none")))
  })
  c(list(spec = spec), by_method)
}

model_block <- function(entry) {
  frame <- data_of(entry)
  formula <- as.formula(paste(entry$fixed, "+", entry$r_random))
  done <- polish(formula, frame); fit <- done$fit
  adjusted_vcov <- vcovAdj(fit)
  components <- as.data.frame(VarCorr(fit))
  response <- all.vars(formula)[1]
  used <- if (is.null(entry$csv)) setdiff(all.vars(formula), names(entry$derived)) else character(0)
  block <- list(
    data = if (is.null(entry$csv)) paste(unlist(entry$registry), collapse = "::") else entry$csv,
    source = entry$source, made_with = made_with, formula = paste(deparse(formula, 500), collapse = ""),
    n = nobs(fit), p = length(fixef(fit)), newton_decrement = done$decrement,
    fingerprint = fingerprint(frame, used), loglik = done$dense$loglik,
    variances = lapply(seq_len(nrow(components)), function(i) {
      list(group = components$grp[i], first = components$var1[i], second = components$var2[i], value = components$vcov[i])
    }),
    names = names(fixef(fit)), beta = unname(fixef(fit)), vcov = plain(vcov(fit)), vcov_kr = plain(adjusted_vcov),
    theta_covariance = plain(attr(adjusted_vcov, "W")),
    kenward_roger = coefficient_block(fit, "Kenward-Roger"),
    satterthwaite = coefficient_block(fit, "Satterthwaite"),
    tests = term_tests(fit),
    blups = lapply(lme4::ranef(fit, condVar = FALSE), function(b) list(levels = rownames(b), columns = names(b), values = plain(b))),
    emmeans = lapply(entry$emmeans, function(spec) adjusted(fit, spec, frame))
  )
  message(entry$name, ": logLik ", format(block$loglik, digits = 12))
  block
}

# ---- balanced designs without a mixed model, and tables ----------------------------------------

balanced_block <- function() {
  t_block <- function(file) {
    wide <- reshape(read.csv(file.path("data", file)), idvar = "pair", timevar = "trt", direction = "wide")
    test <- t.test(wide$y.net, wide$y.film, paired = TRUE)
    list(data = file, made_with = paste(R.version.string, "stats::t.test"), estimate = unname(test$estimate),
         std_error = test$stderr, df = unname(test$parameter), statistic = unname(test$statistic),
         p_value = test$p.value, conf_low = test$conf.int[1], conf_high = test$conf.int[2])
  }
  split <- read.csv("data/made_splitplot_time.csv")
  split[c("day", "trt", "pair")] <- lapply(split[c("day", "trt", "pair")], factor)
  strata <- summary(aov(y ~ trt * day + Error(pair / trt), split))
  bale <- strata[["Error: pair:trt"]][[1]]; within <- strata[["Error: Within"]][[1]]
  row <- function(table, i) {
    last <- nrow(table)
    list(num_df = table$Df[i], den_df = table$Df[last], statistic = table[["F value"]][i], p_value = table[["Pr(>F)"]][i])
  }
  list(paired = t_block("made_paired.csv"), paired_zero = t_block("made_paired_zero.csv"),
       splitplot = list(data = "made_splitplot_time.csv", made_with = paste(R.version.string, "stats::aov"),
                        trt = row(bale, 1), day = row(within, 1), "trt:day" = row(within, 2),
                        ms_pair = strata[["Error: pair"]][[1]][["Mean Sq"]][1], ms_bale = bale[["Mean Sq"]][2],
                        ms_within = within[["Mean Sq"]][3]))
}

alfalfa_block <- function() {
  strata <- summary(aov(Yield ~ Variety * Date + Error(Block / Variety), as.data.frame(nlme::Alfalfa)))
  whole <- strata[["Error: Block:Variety"]][[1]]; within <- strata[["Error: Within"]][[1]]
  list(data = "nlme::Alfalfa", source = "nlme::Alfalfa (Snedecor & Cochran 1980)",
       made_with = paste(R.version.string, "stats::aov; nlme", packageVersion("nlme")),
       ms_block = strata[["Error: Block"]][[1]][["Mean Sq"]][1],
       ms_whole = whole[["Mean Sq"]][2], df_whole = whole$Df[2], ms_split = within[["Mean Sq"]][3], df_split = within$Df[3],
       F_variety = whole[["F value"]][1], F_date = within[["F value"]][1], F_variety_date = within[["F value"]][2])
}

# Two-sided 95 % points of max |t_i|. Given s = sqrt(chi2/df), the k estimates that share one reference
# (correlation 1/2) are independent given that reference: nested one-dimensional integrals.
over_scale <- function(inside, df) {
  density <- function(s) 2 * df * s * dchisq(df * s^2, df)
  integrate(function(s) sapply(s, function(v) inside(v) * density(v)), 0, Inf, rel.tol = 1e-11, subdivisions = 1000L)$value
}
upper_point <- function(inside, df) {
  uniroot(function(q) over_scale(function(s) inside(q * s), df) - 0.95, c(1.5, 6), tol = 1e-10)$root
}
dunnett_point <- function(k, df) {
  upper_point(function(c) integrate(function(u) dnorm(u) * (pnorm(sqrt(2) * c + u) - pnorm(u - sqrt(2) * c))^k,
                                    -Inf, Inf, rel.tol = 1e-11)$value, df)
}
independent_point <- function(k, df) upper_point(function(c) (2 * pnorm(c) - 1)^k, df)

tables_block <- function() {
  cases <- function(k, df, f) Map(function(k, df) list(k = k, df = df, value = f(k, df)), k, df)
  p_sets <- list(c(0.01, 0.04, 0.03, 0.005), c(0.2, 0.02, 0.02, 0.9, 0.0001), c(0.5, 0.6))
  # Differences 1, 2 and 1 - 2 of three means and one independent difference: a singular correlation matrix whose
  # maximum is a studentised range times an independent one.
  singular <- upper_point(function(c) ptukey(c * sqrt(2), 3, Inf) * (2 * pnorm(c) - 1), 20)
  list(
    source = "R stats: integrate, uniroot, ptukey, qtukey, p.adjust", made_with = R.version.string,
    dunnett = cases(c(2, 3, 4, 3, 5), c(10, 10, 12, 24, 30), dunnett_point),
    independent = cases(c(2, 3, 4, 4), c(10, 10, 12, 20), independent_point),
    tukey = cases(c(3, 4, 5, 3), c(10, 24, 12, 7.5), function(k, df) qtukey(0.95, k, df) / sqrt(2)),
    singular = list(correlation = rbind(c(1, .5, .5, 0), c(.5, 1, -.5, 0), c(.5, -.5, 1, 0), c(0, 0, 0, 1)), df = 20,
                    value = singular),
    holm = lapply(p_sets, function(p) list(p = p, holm = p.adjust(p, "holm")))
  )
}

# ---- write --------------------------------------------------------------------------------------

write_values <- function(x, file) {
  writeLines(toJSON(x, digits = NA, auto_unbox = TRUE, na = "null", null = "null", matrix = "rowmajor"), file)
}

source("make_structures.R")
given <- setdiff(commandArgs(TRUE), "structures")
if (length(given)) copy_given(given)
if (!"structures" %in% commandArgs(TRUE)) {
  make_data()
  catalogue <- fromJSON("catalogue.json", simplifyVector = FALSE)$models
  blocks <- lapply(catalogue, model_block)
  names(blocks) <- sapply(catalogue, `[[`, "name")
  write_values(blocks, "lmm.json")
  write_values(list(balanced = balanced_block(), alfalfa = alfalfa_block(), tables = tables_block()), "tables.json")
}
make_structures()
