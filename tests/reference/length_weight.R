# Straight-line fits in base R. Usage: Rscript length_weight.R perch.csv grouped.csv
path <- commandArgs(trailingOnly = TRUE)
show <- function(name, value) cat(name, format(value, digits = 17), "\n")
d <- read.csv(path[1])
m <- lm(log10(weight_g) ~ log10(length_mm), data = d)
s <- summary(m)
show("intercept", s$coefficients[1, 1]); show("intercept_se", s$coefficients[1, 2])
show("slope", s$coefficients[2, 1]); show("slope_se", s$coefficients[2, 2])
ci <- confint(m)
show("slope_low", ci[2, 1]); show("slope_high", ci[2, 2])
show("residual_se", s$sigma); show("r_squared", s$r.squared)
for (i in c(1, 20, 56)) {
  show(paste0("leverage_", i), hatvalues(m)[i])
  show(paste0("studentised_", i), rstudent(m)[i])
  show(paste0("cook_", i), cooks.distance(m)[i])
}
new <- data.frame(length_mm = c(100, 300))
for (kind in c("confidence", "prediction")) {
  p <- predict(m, new, interval = kind)
  for (i in 1:2) for (j in 1:3) show(paste(kind, i, j, sep = "_"), p[i, j])
}
g <- read.csv(path[2])
one <- lm(log10(weight_g) ~ log10(length_mm), data = g)
parallel <- lm(log10(weight_g) ~ log10(length_mm) + group, data = g)
own <- lm(log10(weight_g) ~ log10(length_mm) * group, data = g)
a <- anova(parallel, own); b <- anova(one, parallel)
show("slopes_f", a$F[2]); show("slopes_p", a$`Pr(>F)`[2]); show("slopes_df", a$Res.Df[2])
show("intercepts_f", b$F[2]); show("intercepts_p", b$`Pr(>F)`[2]); show("intercepts_df", b$Res.Df[2])
at <- data.frame(length_mm = 10^mean(log10(g$length_mm)), group = sort(unique(g$group)))
p <- predict(parallel, at, se.fit = TRUE, interval = "confidence")
for (i in seq_len(nrow(at))) {
  show(paste0("adjusted_", at$group[i]), p$fit[i, 1]); show(paste0("adjusted_se_", at$group[i]), p$se.fit[i])
  show(paste0("adjusted_low_", at$group[i]), p$fit[i, 2])
}
