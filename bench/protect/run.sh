#!/bin/sh
# Many plumes under uncertainty: the Go program beside NumPy on the same draws, in
# one run; then how it grows with draws and cores.
set -eu
cd "$(dirname "$0")/../.."
/usr/bin/python3 -c 'import numpy, scipy' 2>/dev/null || { echo "bench/protect: skipped, no python3 with NumPy and SciPy"; exit 0; }
folder=$(mktemp -d)
trap 'rm -rf "$folder"' EXIT
SAPWARD_BENCH="$folder" go test ./flow/protect -count=1 -run XXX -bench HandsOver -benchtime 1x
OMP_NUM_THREADS=1 OPENBLAS_NUM_THREADS=1 /usr/bin/python3 bench/protect/reference.py "$folder/cases.json"
