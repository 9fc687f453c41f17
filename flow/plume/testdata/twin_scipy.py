"""The patch problem of twin_test.go by the method of lines with SciPy.

Arguments: rows columns low high perimeter days speed loss along across half half_width
Prints the cell values, rows by height, one number a line.
"""
import sys

import numpy as np
from scipy.integrate import solve_ivp

rows, columns = int(sys.argv[1]), int(sys.argv[2])
low, high, perimeter, days, speed, loss, along, across, half, half_width = map(float, sys.argv[3:])
dz, dy = (high - low) / rows, perimeter / columns


def overlap(edges, h):
    a, b = edges[:-1], edges[1:]
    return np.clip(np.minimum(b, h) - np.maximum(a, -h), 0, None) / (b - a)


z = overlap(np.linspace(low, high, rows + 1), half) / (2 * half)
y = overlap(np.linspace(-perimeter / 2, perimeter / 2, columns + 1), half_width) / (2 * half_width)


def rate(_, flat):
    c = flat.reshape(rows, columns)
    padded = np.vstack([np.zeros(columns), c, c[-1]])
    face = speed * ((padded[1:] + padded[:-1]) / 2 - along * (padded[1:] - padded[:-1]) / dz)
    face[0] = 0
    side = np.roll(c, 1, axis=1) - 2 * c + np.roll(c, -1, axis=1)
    return ((face[:-1] - face[1:]) / dz - loss * c + speed * across / dy**2 * side).ravel()


answer = solve_ivp(rate, (0, days), np.outer(z, y).ravel(), method="RK45", rtol=1e-6, atol=1e-9, t_eval=[days])
np.savetxt(sys.stdout, answer.y[:, -1], fmt="%.12g")
