#!/bin/sh
# Pages of the app under 50 browsers at once, over a block of 100,000 trees.
set -eu
cd "$(dirname "$0")/../.."
go run ./bench/pages "$@"
