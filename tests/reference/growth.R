# Least squares of growth curves, their profile limits and comparison, by R's nls.
# Rscript --vanilla growth.R AGED.csv GROUPS.csv RECAPTURES.csv SIGMOID.csv ; prints one line a quantity: its name, then numbers.
options(digits = 15, warn = -1)
files <- commandArgs(trailingOnly = TRUE)
fish <- read.csv(files[1])
control <- nls.control(maxiter = 500, tol = 1e-7, minFactor = 1e-10, nDcentral = TRUE)
say <- function(name, ...) cat(name, format(c(...), digits = 15), "\n")
report <- function(name, fit) {
  say(paste0(name, ".value"), coef(fit))
  say(paste0(name, ".se"), sqrt(diag(vcov(fit))))
  say(paste0(name, ".rss"), deviance(fit))
  say(paste0(name, ".aic"), AIC(fit))
  say(paste0(name, ".covariance"), as.vector(vcov(fit)))
}
# Limits where [RSS(held) - RSS] / s^2 is the 95 % point of F(1, n - p): each held value is fitted again by optim.
profile_limits <- function(fit, squares) {
  best <- coef(fit); se <- sqrt(diag(vcov(fit))); df <- df.residual(fit)
  ceiling <- deviance(fit) + summary(fit)$sigma^2 * qf(0.95, 1, df)
  rss <- function(at) { value <- squares(at); if (is.finite(value)) value else 1e30 }
  excess <- function(value, index) {
    others <- best[-index]
    cost <- function(z) { at <- best; at[index] <- value; at[-index] <- others + z * se[-index]; rss(at) }
    start <- rep(0, length(others))
    if (length(others) == 1) return(optimize(cost, c(-30, 30), tol = 1e-12)$objective - ceiling)
    for (again in 1:4) start <- optim(start, cost, method = "BFGS", control = list(reltol = 1e-15, maxit = 1000))$par
    cost(start) - ceiling
  }
  limit <- function(i, side) uniroot(excess, sort(best[i] + side * c(0.5, 6) * se[i]), index = i, tol = 1e-12)$root
  c(sapply(seq_along(best), limit, side = -1), sapply(seq_along(best), limit, side = 1))
}
curves <- list(
  von_bertalanffy = list(quote(Linf * (1 - exp(-K * (t - c0)))), list(Linf = 550, K = 0.35, c0 = -0.3)),
  gompertz = list(quote(Linf * exp(-exp(-K * (t - c0)))), list(Linf = 520, K = 0.6, c0 = 0.9)),
  logistic = list(quote(Linf / (1 + exp(-K * (t - c0)))), list(Linf = 510, K = 0.8, c0 = 1.6))
)
with_slopes <- function(expression, names) deriv(expression, names, c(names, "t"))
for (name in names(curves)) {
  f <- with_slopes(curves[[name]][[1]], c("Linf", "K", "c0"))
  g <- with_slopes(call("log", curves[[name]][[1]]), c("Linf", "K", "c0"))
  plain <- nls(L ~ f(Linf, K, c0, t), fish, start = curves[[name]][[2]], control = control)
  report(paste0(name, ".constant"), plain)
  report(paste0(name, ".proportional"), nls(log(L) ~ g(Linf, K, c0, t), fish, start = as.list(coef(plain)), control = control))
}
f <- with_slopes(curves[[1]][[1]], c("Linf", "K", "c0"))
vb <- nls(L ~ f(Linf, K, c0, t), fish, start = curves[[1]][[2]], control = control)
say("profile", profile_limits(vb, function(p) sum((fish$L - f(p[1], p[2], p[3], fish$t))^2)))
f <- with_slopes(quote(Linf * (1 + (m - 1) * exp(-K * (t - c0)))^(1 / (1 - m))), c("Linf", "K", "c0", "m"))
richards <- nls(L ~ f(Linf, K, c0, m, t), read.csv(files[4]), start = list(Linf = 500, K = 0.6, c0 = 2, m = 1.4), control = control)
report("richards.constant", richards)

groups <- read.csv(files[2])
groups$b <- as.numeric(groups$group == "b")
full <- nls(L ~ (Linf + b * dL) * (1 - exp(-(K + b * dK) * (t - (c0 + b * d0)))), groups,
            start = list(Linf = 550, K = 0.35, c0 = -0.3, dL = 0, dK = 0, d0 = 0), control = control)
same <- nls(L ~ Linf * (1 - exp(-K * (t - c0))), groups, start = list(Linf = 550, K = 0.35, c0 = -0.3), control = control)
same_k <- nls(L ~ (Linf + b * dL) * (1 - exp(-K * (t - (c0 + b * d0)))), groups,
              start = list(Linf = 550, K = 0.35, c0 = -0.3, dL = 0, d0 = 0), control = control)
one <- anova(same, full); two <- anova(same_k, full)
say("compare.all", one[["F value"]][2], one[["Pr(>F)"]][2], deviance(same), deviance(full))
say("compare.k", two[["F value"]][2], two[["Pr(>F)"]][2], deviance(same_k))

marked <- read.csv(files[3])
fabens <- nls(L2 - L1 ~ (Linf - L1) * (1 - exp(-K * dt)), marked, start = list(Linf = 500, K = 0.3), control = control)
report("fabens", fabens)
say("fabens.profile", profile_limits(fabens, function(p)
  with(marked, sum((L2 - L1 - (p[1] - L1) * (1 - exp(-p[2] * dt)))^2))))
