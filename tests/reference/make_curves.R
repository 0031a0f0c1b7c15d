# Reference values of planned curves over storage, from R.
#
# Run by hand, in this folder:   Rscript make_curves.R
# Needs lme4, lmerTest, pbkrtest, splines, jsonlite.  Writes data/made_curve.csv and curves.json.
# Continuous integration never runs this: the tests read what it wrote.
#
# Invented data: 10 pairs of bales, two bindings, cored at about 20, 60, 120, 180 and 240 days, a few cores lost,
# and one sample of the crop a pair at day 0.  lmer fits by its default optimiser with tight tolerances: good to
# about 1e-6 in variances.

suppressPackageStartupMessages({ library(lme4); library(lmerTest); library(pbkrtest); library(splines); library(jsonlite) })
options(digits = 15, contrasts = c("contr.treatment", "contr.poly"))
tight <- lmerControl(optimizer = "bobyqa", optCtrl = list(rhoend = 1e-12, maxfun = 1e6))

make_data <- function() {
  set.seed(20261125)
  planned <- c(20, 60, 120, 180, 240)
  d <- expand.grid(opening = planned, binding = c("net", "film"), pair = 1:10)
  d$bale <- paste0(d$pair, d$binding)
  d$days <- d$opening + sample(-6:6, nrow(d), replace = TRUE)
  pair <- rnorm(10, sd = 0.4); bale <- rnorm(20, sd = 0.3); slope <- rnorm(20, sd = 0.15)
  d$y <- 0.5 * log1p(d$days) + ifelse(d$binding == "film", -0.1 * log1p(d$days), 0) + pair[d$pair] +
    bale[as.integer(factor(d$bale))] + rnorm(nrow(d), sd = 0.25)
  d$z <- 0.015 * d$days + ifelse(d$binding == "film", -0.003 * d$days, 0) + pair[d$pair] +
    2.5 * bale[as.integer(factor(d$bale))] + slope[as.integer(factor(d$bale))] * d$days / 30 + rnorm(nrow(d), sd = 0.4)
  d <- d[-c(4, 17, 33, 58, 90), ]
  d$y <- round(d$y, 4); d$z <- round(d$z, 4)
  crop <- data.frame(opening = 0, binding = "net", pair = 1:10, bale = paste0(1:10, "crop"), days = 0,
                     y = round(1 + pair + rnorm(10, sd = 0.25), 4), z = NA)
  write.csv(rbind(d, crop), "data/made_curve.csv", row.names = FALSE, quote = FALSE, na = "")
}
dir.create("data", showWarnings = FALSE)
make_data()
all <- read.csv("data/made_curve.csv")
all$binding <- factor(all$binding, levels = c("net", "film")); all$pair <- factor(all$pair); all$bale <- factor(all$bale)
silage <- droplevels(all[all$days > 0, ])

days <- seq(0, 300, by = 12.5)
knots <- c(60, 150)
basis <- function(d) ns(d, knots = knots, Boundary.knots = c(0, 240))

# Difference film - net on some days, with Kenward-Roger standard error and df.
differences <- function(fit, at, row) {
  v <- vcovAdj(fit)
  t(sapply(at, function(d) {
    l <- row(d)
    c(days = d, estimate = sum(l * fixef(fit)), std_error = sqrt(as.numeric(l %*% v %*% l)), df = Lb_ddf(l, vcov(fit), v))
  }))
}
f_of <- function(fit, rows) {
  k <- KRmodcomp(fit, rows)$test["Ftest", ]
  c(statistic = k$stat, num_df = k$ndf, den_df = k$ddf, p_value = k$p.value)
}
report <- function(fit, at, row) list(logLik = as.numeric(logLik(fit)), variances = as.data.frame(VarCorr(fit))$vcov,
                                      differences = differences(fit, at, row))
at <- c(20, 60, 120, 180, 240)

logarithmic <- lmer(y ~ binding * log1p(days) + (1 | pair) + (1 | bale), silage, control = tight)
spline <- lmer(y ~ binding * basis(days) + (1 | pair) + (1 | bale), silage, control = tight)
zero <- lmer(z ~ 0 + binding:days + (1 | pair) + (1 | bale), silage, control = tight)
slopes <- lmer(z ~ binding * days + (1 | pair) + (1 + I(days / 30) | bale), silage, control = tight)

# Lack of fit of the straight line in log(1 + days): what is left of the five openings as a factor.
openings <- c(20, 60, 120, 180, 240)
left <- qr.Q(qr(cbind(1, log1p(openings))), complete = TRUE)[, 3:5]
extra <- left[match(silage$opening, openings), ]
for (k in 1:3) silage[[paste0("e", k)]] <- extra[, k]
fuller <- lmer(y ~ binding * log1p(days) + binding:(e1 + e2 + e3) + (1 | pair) + (1 | bale), silage, control = tight)
q <- length(fixef(fuller)); rows <- matrix(0, 6, q); rows[cbind(1:6, which(grepl(":e|^e", names(fixef(fuller)))))] <- 1

# Baseline common to the bindings; the crop's samples have no bale effect.
all$stored <- as.numeric(all$days > 0)
all$l <- log1p(all$days)
shared <- lmer(y ~ 1 + binding:l + (1 | pair) + (0 + stored | bale), all, control = tight)

out <- list(
  made_with = paste(R.version.string, paste("lme4", packageVersion("lme4")), paste("pbkrtest", packageVersion("pbkrtest")),
                    sep = "; "),
  spline_days = days, spline_knots = knots, spline_basis = unclass(basis(days))[, 1:3],
  log = report(logarithmic, at, function(d) c(0, 1, 0, log1p(d))),
  log_one_curve = f_of(logarithmic, rbind(c(0, 1, 0, 0), c(0, 0, 0, 1))),
  log_lack_of_fit = f_of(fuller, rows),
  spline = report(spline, at, function(d) c(0, 1, 0, 0, 0, basis(d))),
  zero = report(zero, at, function(d) c(-d, d)),
  slopes = report(slopes, at, function(d) c(0, 1, 0, d)),
  shared = report(shared, at, function(d) c(0, -log1p(d), log1p(d)))
)
write(toJSON(out, digits = NA, auto_unbox = TRUE, pretty = TRUE), "curves.json")
