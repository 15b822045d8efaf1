# Times the same estimates in R. Usage: Rscript speed.R fish.csv runs.csv aged.csv resamples fits
suppressMessages({library(MASS); library(boot)})
given <- commandArgs(trailingOnly = TRUE)
fish <- read.csv(given[1]); runs <- read.csv(given[2]); aged <- read.csv(given[3])
resamples <- as.integer(given[4]); fits <- as.integer(given[5])
clock <- function(name, call, rounds = 3) {
  best <- Inf
  for (i in seq_len(rounds)) {
    # a call of a few milliseconds is below the resolution of the clock: it is repeated, and the time shared
    times <- 1
    repeat {
      begin <- proc.time()[["elapsed"]]
      for (j in seq_len(times)) answer <- call()
      took <- proc.time()[["elapsed"]] - begin
      if (rounds == 1 || took > 0.1) break
      times <- times * 4
    }
    best <- min(best, took / times)
    if (took > 2) break
  }
  cat(name, format(max(best, 1e-6), digits = 6), format(answer, digits = 12), "\n")
}
ratio <- function(y, x) {
  n <- length(x); r <- sum(y) / sum(x)
  se <- sqrt(n / (n - 1) * sum((y - r * x)^2)) / sum(x)
  stopifnot(is.finite(se)); r
}
set.seed(1)
clock("catch rate", function() {
  catch <- tabulate(fish$run[fish$length_mm >= 200] + 1, nrow(runs))
  ratio(catch, runs$effort_h) })
clock("size index", function() {
  stock <- fish$length_mm >= 200; quality <- fish$length_mm >= 330
  100 * ratio(tapply(quality, fish$run, sum), tapply(stock, fish$run, sum)) })
totals <- cbind(tapply(fish$length_mm >= 330, fish$run, sum), tapply(fish$length_mm >= 200, fish$run, sum))
clock("bootstrap of the index", function() {
  b <- boot(totals, function(d, i) sum(d[i, 1]) / sum(d[i, 2]), R = resamples); b$t0 })
clock("length-weight", function() {
  m <- lm(log10(weight_g) ~ log10(length_mm), data = fish); stopifnot(all(is.finite(vcov(m)))); coef(m)[[2]] })
clock("relative weight", function() {
  w <- fish$length_mm >= 140
  wr <- 100 * fish$weight_g[w] / 10^(-4.867 + 2.96 * log10(fish$length_mm[w])); run <- fish$run[w]
  ratio(tapply(wr, run, sum), tapply(wr, run, length)) })
curve <- length_mm ~ top * (1 - exp(-k * (age - t0)))
start <- list(top = 500, k = 0.3, t0 = 0)
clock("von Bertalanffy fit", function() {
  m <- nls(curve, data = data.frame(age = fish$age, length_mm = fish$length_at_age), start = start)
  stopifnot(all(is.finite(vcov(m)))); coef(m)[[1]] })
fitted <- nls(curve, data = data.frame(age = fish$age, length_mm = fish$length_at_age), start = start)
clock("its profile interval", function() suppressMessages(confint(fitted)[1, 2]))
clock("growth bootstrap", function() {
  n <- nrow(aged); tops <- replicate(fits, coef(nls(curve, data = aged[sample.int(n, n, TRUE), ], start = start))[[1]])
  stopifnot(all(is.finite(tops))); coef(nls(curve, data = aged, start = start))[[1]] }, rounds = 1)
clock("catch model", function() {
  m <- glm.nb(catch ~ factor(season) + factor(site) + offset(log(effort_h)), data = runs)
  stopifnot(all(is.finite(vcov(m)))); m$theta })
