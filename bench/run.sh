#!/bin/sh
# Speed of the plan against the pandas and NumPy reference, in one run on the
# same files, with agreement checked. Prints seconds, memory and ratios.
set -eu
cd "$(dirname "$0")/.."
work=$(mktemp -d)
trap 'rm -rf "$work"' EXIT
[ -x ./sapward ] || CGO_ENABLED=0 go build -trimpath -o sapward ./cmd/sapward
card=internal/demo/files/avenue/card.yaml
timed() { # name, command...: seconds and peak memory
  name=$1; shift
  /usr/bin/python3 - "$name" "$@" <<'PY'
import os, resource, subprocess, sys, time
name, cmd = sys.argv[1], sys.argv[2:]
start = time.time()
out = open(os.environ["OUT"], "wb") if os.environ.get("OUT") else subprocess.DEVNULL
p = subprocess.Popen(cmd, stdout=out, stderr=subprocess.DEVNULL)
_, status, used = os.wait4(p.pid, 0)
code = os.waitstatus_to_exitcode(status)
if code not in (0, 1):
    raise SystemExit(f"{name} ended with {code}")
print(f"{name} {time.time() - start:.2f} {used.ru_maxrss / 1024:.0f}")
PY
}
echo "trees      sapward s   MB    reference s   MB   times faster"
for n in 1000 10000 100000 1000000; do
  /usr/bin/python3 bench/trees.py $n > "$work/trees.csv"
  ours=$(OUT="$work/ours.csv" timed ours ./sapward plan "$work/trees.csv" --card $card --method injection --csv)
  theirs=$(OUT= timed reference /usr/bin/python3 bench/reference.py "$work/trees.csv" "$work/theirs.csv")
  echo "$n $ours $theirs" | awk '{printf "%-10s %8.2f %6.0f %12.2f %6.0f %12.1f\n", $1, $3, $4, $6, $7, $6/$3}'
  if [ $n -le 100000 ]; then /usr/bin/python3 bench/agree.py "$work/ours.csv" "$work/theirs.csv"; fi
done
