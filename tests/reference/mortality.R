# Catch curves by R's own lm and glm; prints full digits for tests/methods/test_mortality_reference.py.
# Rock bass, Cayuga Lake: coded ages 0 to 5 (Robson & Chapman 1961).
show <- function(name, ...) cat(name, format(c(...), digits = 15, scientific = TRUE), "\n")
age <- 0:5
count <- c(118, 73, 36, 14, 1, 1)
limb <- age <= 3
plain <- lm(log(count) ~ age, subset = limb)
show("unweighted", -coef(plain)[2], summary(plain)$coefficients[2, 2], -rev(confint(plain)[2, ]))
w <- fitted(plain)
weighted <- lm(log(count[limb]) ~ age[limb], weights = w)
show("weighted", -coef(weighted)[2], summary(weighted)$coefficients[2, 2], -rev(confint(weighted)[2, ]))
poisson_fit <- glm(count ~ age, family = quasipoisson, control = list(epsilon = 1e-14))
s <- summary(poisson_fit)
half <- qt(0.975, 4) * s$coefficients[2, 2]
show("poisson", -coef(poisson_fit)[2], s$coefficients[2, 2], -coef(poisson_fit)[2] - half, -coef(poisson_fit)[2] + half)
show("dispersion", s$dispersion, coef(poisson_fit)[1])
# A gap (no fish of age 3) that only the Poisson form can use.
gap <- glm(c(40, 18, 9, 0, 2) ~ I(2:6), family = poisson, control = list(epsilon = 1e-14))
show("gap", -coef(gap)[2], summary(gap)$coefficients[2, 2])
# Year classes followed through seasons: one slope, a level for each cohort, effort as a known scale.
d <- expand.grid(age = 1:5, season = 1:4)
d$count <- c(90, 41, 22, 13, 6, 150, 52, 25, 11, 7, 60, 88, 30, 15, 5, 70, 33, 49, 16, 9)
d$effort <- c(2, 3, 2.5, 2)[d$season]
d$cohort <- d$season - d$age
keep <- ave(d$count, d$cohort, FUN = length) >= 2
d <- d[keep, ]
first <- lm(log(count / effort) ~ factor(cohort) + age, data = d)
d$w <- fitted(first) + log(d$effort)
second <- lm(log(count / effort) ~ factor(cohort) + age, data = d, weights = w)
show("cohorts", -coef(second)["age"], summary(second)$coefficients["age", 2], -rev(confint(second)["age", ]))
apart <- lm(log(count / effort) ~ factor(cohort) * age, data = d, weights = w)
test <- anova(second, apart)
show("equal", test$F[2], test$`Pr(>F)`[2])
