# Compares the program's distribution functions with those of R (stats package) over random cases.
program <- commandArgs(trailingOnly = TRUE)[1]
set.seed(20260801)
n <- 300
count <- rpois(n, exp(runif(n, 0, 6)))
looked <- count + 1 + rpois(n, 40)
cases <- rbind(
  data.frame(f = "student", a = runif(n, 0.001, 0.999), b = exp(runif(n, 0, 6))),
  data.frame(f = "gamma", a = runif(n, 0.001, 0.999), b = exp(runif(n, -2, 7))),
  data.frame(f = "normal", a = runif(n, 1e-6, 1 - 1e-6), b = 0),
  data.frame(f = "beta", a = exp(runif(n, -2, 6)), b = exp(runif(n, -2, 6))),
  data.frame(f = "poisson", a = count, b = rep(0:1, length.out = n)),
  data.frame(f = "wilson", a = count, b = looked))
wilson <- function(x, m) {
  p <- prop.test(x, m, correct = FALSE)$conf.int
  p[1] + 1000 * p[2]
}
expected <- mapply(function(f, a, b) switch(f,
  student = qt(a, b), gamma = qgamma(a, b), normal = qnorm(a), beta = pbeta(0.37, a, b),
  poisson = poisson.test(a)$conf.int[b + 1], wilson = wilson(a, b)),
  as.character(cases$f), cases$a, cases$b)
input <- sprintf("%s %.17g %.17g", cases$f, cases$a, cases$b)
got <- as.numeric(system2(program, input = input, stdout = TRUE))
stopifnot(length(got) == nrow(cases))
off <- abs(got - expected) / pmax(1e-6, abs(expected))
for (f in unique(cases$f)) {
  cat(sprintf("%-8s %d cases, largest relative difference %.2g\n", f, n, max(off[cases$f == f])))
}
bad <- which(!(off < 1e-7))
if (length(bad) > 0) {
  print(cbind(cases, got, expected)[head(bad, 10), ])
  quit(status = 1)
}
