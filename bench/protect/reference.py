"""The same coverage by NumPy: stream-tube kernels along the grain, top-hats
under a wrapped normal across it, share of the crown at or above the level, for
the very draws that the Go program ran. Prints draws a second of both and how
far the two answers are apart."""
import json
import sys
import time

import numpy as np
from scipy.special import ndtr

POINTS = 512  # round the stem


def along(s, up, x, tube):
    """Flux kernel of each source (columns) at the nodes (rows), times its mass."""
    out = np.zeros((x.size, len(up)))
    with np.errstate(divide="ignore", invalid="ignore"):
        logx = np.log(np.maximum(x, 1e-300))[:, None]
        patch = s["patch_g"] > 0
        if patch.any():
            def g(u):
                return np.where(u > 0, ndtr((np.log(np.maximum(u, 1e-300)) - logx - tube * tube / 2) / tube), 0.0)
            width = s["patch_to"] - s["patch_from"]
            out += np.where(patch, s["patch_g"] / np.where(patch, width, 1) * (g(up - s["patch_from"]) - g(up - s["patch_to"])), 0.0)
        depot = (s["depot_g"] > 0) & (up > s["depot_from"])
        if depot.any():
            u = np.log(np.maximum(up - s["depot_from"], 1e-300))
            late = np.log(np.maximum(x[:, None] - s["release"], 1e-300))
            k = ndtr((logx - u - tube * tube / 2) / tube) - ndtr((late - u - tube * tube / 2) / tube)
            out += np.where(depot, s["depot_g"] / np.where(depot, s["release"], 1) * k, 0.0)
    out[0] = 0
    return out


def half_body(z, width, kappa):
    """Width at z above the port of a half-body of a final width, by bisection."""
    low, high = np.full_like(width, 0.0), np.full_like(width, np.pi / 2)
    for _ in range(50):
        t = (low + high) / 2
        w = width * (1 - t / np.pi)
        right = kappa * w / (2 * np.maximum(z, 1e-12))
        too = np.tan(t) < right
        low, high = np.where(too, t, low), np.where(too, high, t)
    return np.where(z > 0, width * (1 - low / np.pi), width / 2)


def coverage(case, d, flow, heat, springs):
    length = case["PerimeterM"]
    src = d["Sources"]
    s = {
        "arc": np.array([p["ArcM"] for p in src]), "z": np.array([p["HeightM"] for p in src]), "w": np.array([p["WidthM"] for p in src]),
        "widens": np.array([p["Widens"] for p in src]), "patch_g": np.array([p["PatchG"] for p in src]), "depot_g": np.array([p["DepotG"] for p in src]),
        "patch_from": np.array([p["Patch"]["FromM"] for p in src]), "patch_to": np.array([p["Patch"]["ToM"] for p in src]),
        "depot_from": np.array([p["Depot"]["FromM"] for p in src]), "release": np.array([p["Depot"]["ReleaseM"] for p in src]),
    }
    left = d["Unit"] * np.exp(-np.log(2) / d["HalfLife"] * heat) * d["Carry"] ** springs
    y = np.arange(POINTS) / POINTS * length
    total = np.zeros(flow.size)
    for z, share in zip(case["Heights"], case["Shares"]):
        up = z - s["z"]
        a = along(s, up, d["Speed"] * flow, d["Tube"]) * left[:, None]
        b = np.where(s["widens"], half_body(up, s["w"], d["Anisotropy"]), s["w"]) / 2
        sd = np.sqrt(2 * d["Lateral"] * np.maximum(up, 0))
        off = y[:, None] - (s["arc"] + d["Grain"] * up * length)
        off -= length * np.round(off / length)
        across = sum((ndtr((off + k * length + b) / sd) - ndtr((off + k * length - b) / sd)) for k in (-1, 0, 1)) / (2 * b)
        total += share * (a @ across.T >= d["Level"]).mean(axis=1)
    return total


cases = json.load(open(sys.argv[1]))
print(f"{'method':10} {'Go draws/s/core':>16} {'NumPy draws/s':>14} {'ratio':>7} {'largest and mean difference of coverage':>40}")
both = {}
for case in cases:
    flow, heat, springs = np.array(case["Flow"]), np.array(case["Heat"]), np.array(case["Springs"])
    worst, mean = 0.0, 0.0
    begin = time.perf_counter()
    got = [coverage(case, d, flow, heat, springs) if d["Sources"] else np.zeros(flow.size) for d in case["Draws"]]
    theirs = len(case["Draws"]) / (time.perf_counter() - begin)
    for d, g in zip(case["Draws"], got):
        off = np.abs(g - np.array(d["Coverage"]))
        worst, mean = max(worst, off.max()), mean + off.mean() / len(got)
    if mean > 0.005 or worst > 0.06:
        sys.exit(f"the answers differ: {worst:.4f} at most, {mean:.5f} in the mean")
    ours = 2000 / case["Seconds"]["2000 draws, 1 core"]
    print(f"{case['Method']:10} {ours:16.0f} {theirs:14.1f} {ours / theirs:7.0f} {worst:28.4f} {mean:11.5f}")
    for name, seconds in case["Seconds"].items():
        both[name] = both.get(name, 0) + seconds
print("both methods, 365 days:", "; ".join(f"{name} {seconds:.2f} s" for name, seconds in both.items()))
