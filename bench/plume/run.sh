#!/bin/sh
# One field of 120 x 64: the closed form in Go beside a vectorised NumPy closed
# form and SciPy's method of lines, in one run. Prints error against cost.
set -eu
cd "$(dirname "$0")/../.."
go test -c -o /dev/null ./flow/plume
ours=$(go test ./flow/plume -run XXX -bench 'PatchField120x64' -benchtime 2s | awk '/^BenchmarkPatchField/ {print $3}')
theirs=$(/usr/bin/python3 bench/plume/field.py --repeat 5)
again=$(go test ./flow/plume -run XXX -bench 'PatchField120x64' -benchtime 2s | awk '/^BenchmarkPatchField/ {print $3}')
printf '%s' "$theirs" | /usr/bin/python3 -c "
import json, sys
report = json.load(sys.stdin)
ours = min($ours, $again) * 1e-9
print(f'{\"method\":22} {\"seconds\":>12} {\"L2 error\":>10} {\"Go is faster by\":>16}')
print(f'{\"Go closed form\":22} {ours:12.3e} {0:10.1e}')
for m in report['methods']:
    print(f'{m[\"method\"]:22} {m[\"seconds\"]:12.3e} {m[\"l2\"]:10.1e} {m[\"seconds\"] / ours:16.1f}')
"
