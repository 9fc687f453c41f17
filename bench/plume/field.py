"""One field of 120 x 64 cells: vectorised NumPy closed form and SciPy method of lines.

The partner of BenchmarkPatch120x64 in flow/plume: a patch of half-length 0.45 m
and half-width 0.05 m on a perimeter of 1.6 m, carried 6.9 m in 20 days with
dispersivities 0.2 m and 0.001 m and a half-life of 60 days.
Prints one JSON object: seconds for one field by each method (best of several
runs), the L2 difference of the solvers from the closed form, and the value at
the centre of mass, so that the Go field can be compared.

Needs NumPy and SciPy. Usage: python3 field.py [--repeat N]
"""
import argparse
import json
import math
import time

import numpy as np
from scipy.integrate import solve_ivp
from scipy.sparse import diags, identity, kron
from scipy.sparse.linalg import expm_multiply
from scipy.special import erf

ROWS, COLUMNS = 120, 64
LOW, HIGH, PERIMETER = -2.4, 15.6, 1.6
DAYS, SPEED, LOSS = 20.0, 6.9 / 20.0, math.log(2) / 60
ALONG, ACROSS = 0.2, 1e-3
HALF, HALF_WIDTH = 0.45, 0.05
DZ, DY = (HIGH - LOW) / ROWS, PERIMETER / COLUMNS
Z = LOW + (np.arange(ROWS) + 0.5) * DZ
Y = (np.arange(COLUMNS) + 0.5) * DY - PERIMETER / 2


def closed_form():
    x = SPEED * DAYS
    w = math.sqrt(4 * ALONG * x)
    along = (erf((Z - x + HALF) / w) - erf((Z - x - HALF) / w)) / (4 * HALF)
    s = math.sqrt(4 * ACROSS * x)
    images = Y[:, None] + PERIMETER * np.arange(-2, 3)
    across = ((erf((images + HALF_WIDTH) / s) - erf((images - HALF_WIDTH) / s)) / (4 * HALF_WIDTH)).sum(axis=1)
    return math.exp(-LOSS * DAYS) * np.outer(along, across)


def overlap(edges, h):
    a, b = edges[:-1], edges[1:]
    return np.clip(np.minimum(b, h) - np.maximum(a, -h), 0, None) / (b - a)


def equations():
    """Start values and the sparse matrix of the method of lines."""
    z = overlap(np.linspace(LOW, HIGH, ROWS + 1), HALF) / (2 * HALF)
    y = overlap(np.linspace(-PERIMETER / 2, PERIMETER / 2, COLUMNS + 1), HALF_WIDTH) / (2 * HALF_WIDTH)
    here, ahead = SPEED * (0.5 + ALONG / DZ), SPEED * (0.5 - ALONG / DZ)  # flux through a face from its two cells
    main = np.full(ROWS, (ahead - here) / DZ)
    main[0], main[-1] = -here / DZ, (ahead - SPEED) / DZ
    axial = diags([np.full(ROWS - 1, here / DZ), main, np.full(ROWS - 1, -ahead / DZ)], [-1, 0, 1], format="lil")
    k = SPEED * ACROSS / DY**2
    ring = diags([k, -2 * k, k], [-1, 0, 1], shape=(COLUMNS, COLUMNS), format="lil")
    ring[0, -1] = ring[-1, 0] = k
    matrix = kron(axial, identity(COLUMNS)) + kron(identity(ROWS), ring) - LOSS * identity(ROWS * COLUMNS)
    return np.outer(z, y).ravel(), matrix.tocsr()


def best(run, repeat):
    took, answer = math.inf, None
    for _ in range(repeat):
        start = time.perf_counter()
        answer = run()
        took = min(took, time.perf_counter() - start)
    return took, answer


def main():
    parser = argparse.ArgumentParser(description="closed form and method of lines for one 120 x 64 field")
    parser.add_argument("--repeat", type=int, default=5, help="runs of each solver; the best counts")
    repeat = parser.parse_args().repeat
    seconds, reference = best(closed_form, 50 * repeat)
    start, matrix = equations()
    report = {"rows": ROWS, "columns": COLUMNS, "peak": float(reference.max()),
              "methods": [{"method": "numpy closed form", "seconds": seconds, "l2": 0.0}]}
    solvers = {
        "solve_ivp RK45": lambda: solve_ivp(lambda _, c: matrix @ c, (0, DAYS), start, method="RK45", rtol=1e-4, atol=1e-7, t_eval=[DAYS]).y[:, -1],
        "solve_ivp DOP853": lambda: solve_ivp(lambda _, c: matrix @ c, (0, DAYS), start, method="DOP853", rtol=1e-4, atol=1e-7, t_eval=[DAYS]).y[:, -1],
        "expm_multiply": lambda: expm_multiply(matrix * DAYS, start),
    }
    for name, run in solvers.items():
        seconds, answer = best(run, repeat)
        difference = answer.reshape(ROWS, COLUMNS) - reference
        report["methods"].append({"method": name, "seconds": seconds, "l2": float(np.sqrt((difference**2).sum() / (reference**2).sum()))})
    print(json.dumps(report, indent=1))


if __name__ == "__main__":
    main()
