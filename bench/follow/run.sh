#!/bin/sh
# Survival beside R survival, in one run on the same invented data.
set -eu
cd "$(dirname "$0")/../.."
command -v Rscript >/dev/null && Rscript -e 'library(survival)' 2>/dev/null || { echo "skipped: R with the package survival is not there"; exit 0; }
work=$(mktemp -d)
trap 'rm -rf "$work"' EXIT
CGO_ENABLED=0 go build -trimpath -o "$work/follow" ./bench/follow
Rscript bench/follow/reference.R "$work" > "$work/theirs.txt"
"$work/follow" "$work" > "$work/ours.txt"
/usr/bin/python3 bench/follow/agree.py "$work/ours.txt" "$work/theirs.txt"
