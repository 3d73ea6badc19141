# Answers of R's survival, spc and stats to the problems given on standard input.
suppressMessages({library(jsonlite); library(survival); library(spc)})

tobit <- function(p) {
  x <- do.call(rbind, p$rows)
  y <- unlist(p$y); relation <- unlist(p$relation)
  low <- ifelse(relation == "<", NA, y)
  top <- ifelse(relation == ">", NA, y)
  k <- ncol(x)
  start <- lm.fit(x, y)
  converged <- TRUE
  fit <- withCallingHandlers(
    survreg(Surv(low, top, type = "interval2") ~ x - 1, dist = "gaussian",
            init = c(start$coefficients, log(sqrt(mean(start$residuals^2)))),
            control = survreg.control(maxiter = 500, rel.tolerance = 1e-14, toler.chol = 1e-14)),
    warning = function(w) { converged <<- FALSE; invokeRestart("muffleWarning") })
  list(coef = I(as.vector(fit$coefficients)), se = I(sqrt(diag(fit$var))[1:k]), sd = fit$scale,
       logL = fit$loglik[2], converged = converged)
}

cusum <- function(p) xcusum.arl(k = p$k, h = p$h, mu = p$shift, sided = "one", r = 80)
ewma <- function(p) xewma.arl(l = p$lambda, c = p$width, mu = p$shift, sided = "two", r = 80)
tail <- function(p) pbinom(p$k - 1, p$n, p$share, lower.tail = FALSE)
adjusted <- function(p) I(sort(p.adjust(unlist(p), method = "BH")))

input <- file("stdin")
problems <- fromJSON(readLines(input, warn = FALSE), simplifyVector = FALSE)
close(input)
answer <- list(tobit = tobit, cusum = cusum, ewma = ewma, tail = tail, adjusted = adjusted)
rows <- function(p) { p$rows <- lapply(p$rows, unlist); p }
problems$tobit <- lapply(problems$tobit, rows)
cat(toJSON(sapply(names(problems), function(kind) lapply(problems[[kind]], answer[[kind]]), simplify = FALSE),
           digits = I(17), auto_unbox = TRUE))
