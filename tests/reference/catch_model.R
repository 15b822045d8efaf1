# Count regressions with MASS. Usage: Rscript catch_model.R trawl.csv insurance.csv runs.csv
suppressMessages(library(MASS))
path <- commandArgs(trailingOnly = TRUE)
show <- function(name, value) cat(name, format(value, digits = 17), "\n")
tight <- glm.control(epsilon = 1e-12, maxit = 200)
negative <- function(name, model) {
  s <- summary(model)$coefficients
  for (i in seq_len(nrow(s))) { show(paste0(name, "_b", i), s[i, 1]); show(paste0(name, "_se", i), s[i, 2]) }
  show(paste0(name, "_theta"), model$theta); show(paste0(name, "_theta_se"), model$SE.theta)
  show(paste0(name, "_loglik"), model$twologlik / 2); show(paste0(name, "_deviance"), model$deviance)
  show(paste0(name, "_aic"), AIC(model))
  r <- residuals(model, "pearson"); show(paste0(name, "_pearson1"), r[1]); show(paste0(name, "_pearson9"), r[9])
}
trawl <- read.csv(path[1])
negative("trawl", glm.nb(totabund ~ meandepth + factor(period) + offset(log(sweptarea)), data = trawl, control = tight))
runs <- read.csv(path[3])
negative("runs", glm.nb(catch ~ factor(season) + site + offset(log(effort_h)), data = runs, control = tight))
ins <- read.csv(path[2])
ins$Group <- factor(ins$Group, levels = unique(ins$Group)); ins$Age <- factor(ins$Age, levels = unique(ins$Age))
m <- glm(Claims ~ factor(District) + Group + Age + offset(log(Holders)), family = poisson, data = ins, control = tight)
s <- summary(m)$coefficients
for (i in seq_len(nrow(s))) { show(paste0("insurance_b", i), s[i, 1]); show(paste0("insurance_se", i), s[i, 2]) }
show("insurance_deviance", m$deviance); show("insurance_loglik", as.numeric(logLik(m)))
