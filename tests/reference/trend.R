# Kendall's test, weighted regression, local level, and two-sample t test on one made-up series, one value a line.
year <- c(2010, 2011, 2012, 2013, 2015, 2016, 2017, 2018, 2019, 2020)
value <- c(41.2, 38.5, 45.1, 47.3, 52.8, 44.9, 58.6, 61.0, 55.4, 66.7)
se <- c(4.1, 6.2, 3.9, 5.5, 4.7, 9.8, 5.1, 4.4, 7.3, 5.9)
show <- function(name, x) cat(name, sprintf("%.12g", x), "\n")

k <- cor.test(year, value, method = "kendall")
show("kendall_exact_p", k$p.value)
show("kendall_tau", unname(k$estimate))
tied <- c(12, 15, 15, 18, 17, 12, 21, 22, 21, 25)
kt <- cor.test(year, tied, method = "kendall", exact = FALSE, continuity = TRUE)
show("kendall_tied_p", kt$p.value)

fit <- summary(lm(log(value) ~ I(year - mean(year))))
show("lm_slope", fit$coefficients[2, 1])
show("lm_slope_se", fit$coefficients[2, 2])
ci <- confint(lm(log(value) ~ I(year - mean(year))))
show("lm_slope_lower", ci[2, 1])
show("lm_slope_upper", ci[2, 2])

# Paule-Mandel scatter by uniroot, then lm with those weights (the Knapp-Hartung standard error is lm's own).
s2 <- (c(0.02, 0.03, 0.02, 0.04, 0.03, 0.05, 0.03, 0.02, 0.04, 0.03))^2
excess <- function(t2) {
  m <- lm(log(value) ~ year, weights = 1 / (s2 + t2))
  sum(m$residuals^2 / (s2 + t2)) - 8
}
t2 <- uniroot(excess, c(0, 1), tol = 1e-14)$root
m <- lm(log(value) ~ year, weights = 1 / (s2 + t2))
show("pm_sd", sqrt(t2))
show("pm_slope", coef(m)[2])
show("pm_slope_se", summary(m)$coefficients[2, 2])
show("pm_slope_lower", confint(m)[2, 1])

# Step at 2016, equal variances.
tt <- t.test(log(value[year >= 2016]), log(value[year < 2016]), var.equal = TRUE)
show("step_p", tt$p.value)
show("step_lower", tt$conf.int[1])
show("step_upper", tt$conf.int[2])

# Local level with known variances: the smoother behind StructTS, with a vague start.
y <- c(3.72, 3.65, 3.81, 3.86, NA, 3.97, 3.80, 4.07, 4.11, 4.01, 4.20)
sm <- KalmanSmooth(y, list(Z = 1, a = 3.7, P = matrix(1e7), T = matrix(1), V = matrix(0.004), h = 0.003, Pn = matrix(1e7)))
show("smooth", as.numeric(sm$smooth))
show("smooth_var", as.numeric(sm$var))

# Covariates with robust errors need no package: HC3 by hand.
x <- c(3.1, 2.2, 4.0, 3.6, 5.2, 2.9, 5.8, 6.1, 4.4, 6.6)
mm <- lm(log(value) ~ x)
X <- model.matrix(mm)
B <- solve(crossprod(X))
u <- mm$residuals / (1 - hatvalues(mm))
show("hc3_se", sqrt(diag(B %*% crossprod(X * u) %*% B))[2])
show("cov_slope", coef(mm)[2])
