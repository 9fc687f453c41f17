# Invented data and the reference: R survival (survfit, survdiff, coxph). Writes
# the data for the Go program, prints the least processor seconds of three and the figures.
suppressMessages(library(survival))
dir <- commandArgs(TRUE)[1]
set.seed(20261125)
n <- 1e6
group <- sample(0:2, n, TRUE)
t <- rexp(n, c(1/200, 1/260, 1/300)[group + 1]); c <- runif(n, 0, 700)
day <- ceiling(pmin(t, c) * 10) / 10; died <- as.integer(t <= c)
writeBin(as.vector(rbind(day, died, group)), file.path(dir, "curves.bin"), size = 8, endian = "little")
m <- 1e5
X <- cbind(rnorm(m), rnorm(m), runif(m), rbinom(m, 1, 0.4), rnorm(m))
s <- rexp(m, exp(X %*% c(0.5, -0.3, 0.2, -0.7, 0)) / 200); c <- runif(m, 0, 700)
cday <- ceiling(pmin(s, c) * 10) / 10; cdied <- as.integer(s <= c)
writeBin(as.vector(t(cbind(cday, cdied, X))), file.path(dir, "cox.bin"), size = 8, endian = "little")
best <- function(f) { b <- Inf; for (i in 1:3) { gc(FALSE); u <- system.time(v <- f()); b <- min(b, u[["user.self"]] + u[["sys.self"]]) }; list(b, v) }
say <- function(...) cat(paste(...), "\n")
g <- function(x) sprintf("%.15g", x)
a <- best(function() survfit(Surv(day, died) ~ group, conf.type = "log-log"))
say("seconds km", g(a[[1]]))
s <- summary(a[[2]], times = c(30, 100, 300, 600))
for (i in seq_along(s$surv)) say(paste0("km-", i), g(s$surv[i]), g(s$lower[i]))
b <- best(function() survdiff(Surv(day, died) ~ group))
say("seconds logrank", g(b[[1]])); say("logrank", g(b[[2]]$chisq))
d <- as.data.frame(X)
f <- best(function() coxph(Surv(cday, cdied) ~ V1 + V2 + V3 + V4 + V5, data = d, control = coxph.control(eps = 1e-11, toler.chol = 1e-13)))
say("seconds cox", g(f[[1]]))
for (i in 1:5) say(paste0("cox-", i), g(coef(f[[2]])[i]), g(sqrt(diag(vcov(f[[2]])))[i]))
say("cox-loglik", g(f[[2]]$loglik[2]))
