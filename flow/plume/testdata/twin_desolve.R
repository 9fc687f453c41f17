# The patch problem of twin_test.go by the method of lines with R deSolve.
# Arguments: rows columns low high perimeter days speed loss along across half half_width
# Prints the cell values, rows by height, one number a line.
suppressMessages(library(deSolve))
a <- as.numeric(commandArgs(TRUE))
rows <- a[1]; columns <- a[2]; low <- a[3]; high <- a[4]; perimeter <- a[5]; days <- a[6]
speed <- a[7]; loss <- a[8]; along <- a[9]; across <- a[10]; half <- a[11]; half_width <- a[12]
dz <- (high - low) / rows; dy <- perimeter / columns
overlap <- function(edges, h) {
  lo <- head(edges, -1); hi <- tail(edges, -1)
  pmax(0, pmin(hi, h) - pmax(lo, -h)) / (hi - lo)
}
z <- overlap(seq(low, high, length.out = rows + 1), half) / (2 * half)
y <- overlap(seq(-perimeter / 2, perimeter / 2, length.out = columns + 1), half_width) / (2 * half_width)
right <- c(2:columns, 1); left <- c(columns, 1:(columns - 1))
rate <- function(t, flat, p) {
  c <- matrix(flat, rows, columns)
  upper <- rbind(c[-1, ], c[rows, ])
  face <- speed * ((c + upper) / 2 - along * (upper - c) / dz)
  below <- rbind(0, face[-rows, ])
  list(as.vector((below - face) / dz - loss * c + speed * across / dy^2 * (c[, left] - 2 * c + c[, right])))
}
out <- ode(as.vector(outer(z, y)), c(0, days), rate, NULL, method = "ode45", rtol = 1e-6, atol = 1e-9)
cat(sprintf("%.12g", as.vector(t(matrix(out[2, -1], rows, columns)))), sep = "\n")
