#!/bin/sh
# The whole test: installs what is missing from Debian when it may, says what it
# skipped and why, then runs every package.
set -u
cd "$(dirname "$0")/.." || exit 2

export GOTOOLCHAIN="${GOTOOLCHAIN:-}"
if [ -z "$GOTOOLCHAIN" ]; then
  if GOTOOLCHAIN=go1.27.3 go version >/dev/null 2>&1; then
    GOTOOLCHAIN=go1.27.3
  else
    GOTOOLCHAIN=local
    echo "note: Go 1.27.3 is not to be had here; testing with $(go version)"
  fi
  export GOTOOLCHAIN
fi
echo "Go: $(go version)"

missing=""
command -v Rscript >/dev/null 2>&1 || missing="$missing r-base-core r-cran-survival r-cran-desolve"
Rscript -e 'q(status = !all(sapply(c("survival", "nlme", "multcomp"), requireNamespace, quietly = TRUE)))' >/dev/null 2>&1 || missing="$missing r-cran-survival r-cran-nlme r-cran-multcomp"
command -v zbarimg >/dev/null 2>&1 || missing="$missing zbar-tools"
/usr/bin/python3 -c 'import numpy, scipy, pandas' >/dev/null 2>&1 || missing="$missing python3 python3-numpy python3-scipy python3-pandas"
command -v pdftotext >/dev/null 2>&1 || missing="$missing poppler-utils"
command -v qpdf >/dev/null 2>&1 || missing="$missing qpdf"
command -v chromium >/dev/null 2>&1 || command -v chromium-browser >/dev/null 2>&1 || command -v google-chrome >/dev/null 2>&1 || missing="$missing chromium"
/usr/bin/python3 -c 'import prometheus_client' >/dev/null 2>&1 || missing="$missing python3-prometheus-client"
ls /usr/lib/postgresql/*/bin/initdb >/dev/null 2>&1 || command -v initdb >/dev/null 2>&1 || missing="$missing postgresql"
if [ -n "$missing" ]; then
  if [ "$(id -u)" = 0 ] && command -v apt-get >/dev/null 2>&1; then
    echo "installing from Debian:$missing"
    (apt-get update -qq && DEBIAN_FRONTEND=noninteractive apt-get install -y -qq --no-install-recommends $missing) >/dev/null 2>&1 \
      || echo "note: installing failed; the tests that need them skip and say so"
  else
    echo "note: not installed and not root:$missing; the tests that need them skip and say so"
  fi
fi

unformatted=$(gofmt -l $(git ls-files '*.go' 2>/dev/null) 2>/dev/null)
if [ -n "$unformatted" ]; then
  echo "gofmt would change:"; echo "$unformatted"; exit 1
fi
go vet ./... || exit 1
out=$(mktemp)
# Property tests start from one seed here, so that two runs of the same tree say
# the same; make soak draws anew, and prints the seed of what it finds.
drawn=$(grep -rlE --include='*_test.go' '^[[:space:]]*"pgregory.net/rapid"$' . | xargs -n1 dirname | sort -u)
plain=$(go list -f '{{.Dir}}' ./... | sed "s|^$(pwd)|.|" | sort -u | grep -vxF "$drawn")
go test -count=1 -timeout 20m -v $drawn -rapid.seed=20261125 -rapid.nofailfile >"$out" 2>&1
status=$?
go test -count=1 -timeout 20m -v $plain >>"$out" 2>&1 || status=1
grep -E '^(ok|FAIL|---? FAIL|panic:)|no test files' "$out" | grep -v 'no test files'
echo
echo "Skipped, with the reason each test gave:"
grep -E -B1 '^ *--- SKIP' "$out" | grep -v '^--$' || echo "  nothing"
if [ $status -ne 0 ]; then
  echo
  echo "What failed:"
  grep -E -B30 '^ *--- FAIL' "$out" | tail -200
fi
passed=$(grep -c -E '^ *--- PASS' "$out")
failed=$(grep -c -E '^ *--- FAIL' "$out")
skipped=$(grep -c -E '^ *--- SKIP' "$out")
rm -f "$out"
echo "$passed passed, $failed failed, $skipped skipped"
exit $status
