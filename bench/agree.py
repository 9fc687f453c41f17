"""Checks that two plan.csv files say the same: tree, port and volume exactly,
azimuth, tape and height to a tenth.

usage: agree.py a.csv b.csv
"""
import sys

import numpy as np
import pandas as pd

a, b = (pd.read_csv(p, dtype={"tree": str}) for p in sys.argv[1:3])
if len(a) != len(b):
    raise SystemExit(f"{len(a)} rows against {len(b)}")
for column in ("tree", "port", "where"):
    if not (a[column] == b[column]).all():
        raise SystemExit(f"{column} differs first in row {int(np.argmax(a[column] != b[column]))}")
if not np.allclose(a["volume_ml"], b["volume_ml"], atol=1e-9) or not np.allclose(a["product_ml"], b["product_ml"], atol=1e-9):
    raise SystemExit("volumes differ")
for column in ("azimuth_deg", "along_girth_cm", "height_cm"):
    far = np.abs(a[column] - b[column]).max()
    if far > 0.1001:
        raise SystemExit(f"{column} differs by {far}")
print(f"the two plans agree in {len(a)} rows")
