"""Compares the two lists of figures and prints seconds and ratios."""
import sys

def read(path):
    return {f[0] if f[0] != "seconds" else "seconds " + f[1]: [float(x) for x in f[1 if f[0] != "seconds" else 2:]]
            for f in (l.split() for l in open(path) if l.strip())}

ours, theirs = read(sys.argv[1]), read(sys.argv[2])
if set(ours) != set(theirs):
    sys.exit("not the same figures: " + " ".join(sorted(set(ours) ^ set(theirs))))
worst = 0.0
for name, v in theirs.items():
    if not name.startswith("seconds"):
        worst = max(worst, *(abs(a - b) / max(1e-3, abs(b)) for a, b in zip(ours[name], v)))
print(f"{len(theirs) - 3} lines of figures agree, largest deviation {worst:.1e}")
if worst > 1e-8:
    sys.exit("the figures differ")
for part, what in (("km", "Kaplan-Meier, 1,000,000 rows, 3 groups"), ("logrank", "log-rank, 1,000,000 rows"), ("cox", "Cox, 100,000 rows, 5 covariates")):
    a, b = ours["seconds " + part][0], theirs["seconds " + part][0]
    print(f"{what}: Go {a:.3f} s, R {b:.3f} s of processor time, {b / a:.1f} times faster")
