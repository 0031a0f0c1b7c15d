# R's times for bench_structures.py.   Rscript bench_structures.R serial.csv large.csv crossed.csv
# Prints milliseconds: nlme's fit with serial correlation and a variance by binding; lmer's fit (without the
# Kenward-Roger table, which needs n x n matrices) of the large and of the crossed data; versions.
suppressPackageStartupMessages({library(lme4); library(nlme, exclude = "lmList")})
read <- function(file) {
  frame <- read.csv(file)
  for (name in setdiff(names(frame), c("y", "days"))) frame[[name]] <- factor(frame[[name]])
  frame
}
files <- commandArgs(TRUE)
milliseconds <- function(f) 1000 * system.time(f(), gcFirst = FALSE)[["elapsed"]]
serial <- read(files[1]); large <- read(files[2]); crossed <- read(files[3])
by_nlme <- function() lme(y ~ binding * opening, serial, random = ~ 1 | pair, weights = varIdent(form = ~ 1 | binding),
                          correlation = corExp(form = ~ days | pair/bale), control = lmeControl(returnObject = TRUE))
invisible(by_nlme())
cat(median(sapply(1:7, function(i) milliseconds(by_nlme))),
    milliseconds(function() lmer(y ~ binding * opening + (1 | farm) + (1 | farm:binding) + (1 | pair) + (1 | bale), large)),
    milliseconds(function() lmer(y ~ binding * opening + (1 | farm) + (1 | pair) + (1 | bale) + (1 | batch), crossed)),
    paste0("R ", getRversion(), ", lme4 ", packageVersion("lme4"), ", nlme ", packageVersion("nlme")), sep = "\n")
