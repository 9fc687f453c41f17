"""Writes a block of invented trees: usage: trees.py COUNT > trees.csv"""
import math
import random
import sys

random.seed(1)
print("tree,diameter_cm,measured_at_m,rating_pct")
for i in range(int(sys.argv[1])):
    # 20.4 to 60 cm: the sizes that one fill of the invented card serves
    d = min(60, max(20.4, 37 * math.exp(0.25 * random.gauss(0, 1))))
    print(f"T{i:07d},{d:.1f},1.37,{random.randint(0, 9)}")
