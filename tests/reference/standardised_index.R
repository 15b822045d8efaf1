# Catch model and standardised index with MASS. Usage: Rscript standardised_index.R runs.csv sites.csv
# runs.csv: season, site, catch, effort_h. sites.csv: site, weight.
suppressMessages(library(MASS))
path <- commandArgs(trailingOnly = TRUE)
show <- function(name, value) cat(name, format(value, digits = 17), "\n")
runs <- read.csv(path[1]); sites <- read.csv(path[2])
runs$season <- factor(runs$season); runs$site <- factor(runs$site)
m <- glm.nb(catch ~ season + site + offset(log(effort_h)), data = runs, control = glm.control(epsilon = 1e-12, maxit = 200))
for (name in names(coef(m))) show(name, coef(m)[[name]])
show("theta", m$theta)
show("loglik", as.numeric(logLik(m)))
for (s in levels(runs$season)) {
  new <- data.frame(season = factor(s, levels(runs$season)), site = factor(sites$site, levels(runs$site)), effort_h = 1)
  show(paste0("index", s), weighted.mean(predict(m, new, type = "response"), sites$weight))
}
