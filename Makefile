# Sapward. Plain go build and go test work without make; these targets add what
# a release or a review needs.

GO ?= go
PKG = ./...
# Go 1.27.3 where it can be fetched (its standard library has none of the flaws
# known in 1.26), else the local Go, saying so.
TOOLCHAIN := $(shell GOTOOLCHAIN=go1.27.3 $(GO) version >/dev/null 2>&1 && echo go1.27.3 || echo local)
export GOTOOLCHAIN := $(TOOLCHAIN)

.PHONY: all build check test soak bench lint fmt demo screens wasm release clean

all: build

build: ## one static program in ./sapward
	@[ "$(TOOLCHAIN)" != local ] || echo "note: Go 1.27.3 is not to be had here; building with $$($(GO) version)"
	CGO_ENABLED=0 $(GO) build -trimpath -ldflags "-s -w" -o sapward ./cmd/sapward

check: ## under a minute: format, vet, short tests
	@test -z "$$(gofmt -l $$(git ls-files '*.go'))" || { gofmt -l $$(git ls-files '*.go'); exit 1; }
	$(GO) vet $(PKG)
	$(GO) test -short . ./numeric/exact ./measure/... ./plan/dose ./plan/label ./internal/lang ./internal/demo ./internal/cli

test: ## everything, with R and SciPy from Debian where they may be installed
	@sh tools/test.sh

soak: ## the big counts
	SAPWARD_SOAK=1 $(GO) test -count=1 -timeout 180m -rapid.checks=5000 $$(grep -rl --include='*_test.go' 'pgregory.net/rapid' . | xargs -n1 dirname | sort -u)
	SAPWARD_SOAK=1 $(GO) test -count=1 -timeout 180m ./flow/... ./follow/... ./numeric/...
	SAPWARD_SOAK=1 $(GO) test -count=1 -timeout 180m -run TestKill ./internal/store

bench: build ## ratios against the reference scripts, in one run
	@sh bench/run.sh
	@sh bench/plume/run.sh
	@sh bench/protect/run.sh
	@sh bench/follow/run.sh
	$(GO) run ./bench/store
	@sh bench/pages/run.sh

lint: ## needs golangci-lint
	golangci-lint run

fmt:
	gofmt -w $$(git ls-files '*.go')

demo: build
	./sapward demo --once

screens: ## every page at 390 and 1280 px, light and dark, in both languages, into ./screens; needs Chromium
	SAPWARD_SCREENS=$(CURDIR)/screens $(GO) test ./internal/web -count=1 -timeout 30m -run TestPages_AreAccessible

wasm: ## the phone's core anew, from wasm/ and what it imports
	$(GO) test ./internal/web -count=1 -run TestCore_IsFresh -update-core

VERSION ?= 0.1.0
release: ## programs, bills of materials, licences and checksums for all systems in ./dist; VERSION=0.2.0 stamps them
	$(GO) run ./tools/release -version $(VERSION) -out dist

clean:
	rm -rf dist sapward sapward-demo
