# Fettle's targets. `make` alone says what there is.

GO       ?= go
FUZZTIME ?= 10s

.PHONY: help demo test lint build bench fuzz proof racing
.DEFAULT_GOAL := help

help: ## say what there is
	@awk -F ':.*## ' '/^[a-z]+:.*## / { printf "make %-6s %s\n", $$1, $$2 }' Makefile

demo: ## the whole job on the simulated bench, told step by step
	@$(GO) run ./cmd/fettle demo

test: lint racing ## lint, then every test with the race detector
	$(GO) test -race ./...

lint: ## gofmt, go vet, staticcheck at the version that go.mod pins
	@unformatted=$$("$$($(GO) env GOROOT)/bin/gofmt" -l .) && test -z "$$unformatted" || \
		{ printf 'not as gofmt has it:\n%s\n' "$$unformatted" >&2; exit 1; }
	$(GO) vet ./...
	$(GO) tool staticcheck ./...

# The race detector needs cgo, cgo a C compiler, and that its headers.
racing:
	@cc=$$($(GO) env CC); \
	command -v $${cc%% *} >/dev/null || \
		{ echo "make test: the race detector needs a C compiler: $$cc is missing (Debian: apt-get install gcc libc6-dev)" >&2; exit 1; }; \
	echo '#include <stdlib.h>' | $$cc -E -x c - >/dev/null 2>&1 || \
		{ echo "make test: the race detector needs the C library's headers: stdlib.h is missing (Debian: apt-get install libc6-dev)" >&2; exit 1; }; \
	test "$$($(GO) env CGO_ENABLED)" = 1 || \
		{ echo "make test: the race detector needs cgo: it is off (unset CGO_ENABLED, or set it to 1)" >&2; exit 1; }

build: ## build/fettle for this machine, and beside it those for other machines
	CGO_ENABLED=0 $(GO) build -trimpath -o build/ ./cmd/fettle
	CGO_ENABLED=0 GOOS=linux   GOARCH=arm64 $(GO) build -trimpath -o build/fettle-linux-arm64 ./cmd/fettle
	CGO_ENABLED=0 GOOS=windows GOARCH=amd64 $(GO) build -trimpath -o build/fettle-windows-amd64.exe ./cmd/fettle
	CGO_ENABLED=0 GOOS=darwin  GOARCH=arm64 $(GO) build -trimpath -o build/fettle-darwin-arm64 ./cmd/fettle

bench: ## every benchmark, with its allocations
	$(GO) test -run '^$$' -bench . -benchmem ./...

fuzz: ## every fuzz test in turn, each for FUZZTIME (10s where it is not set)
	@for package in $$($(GO) list ./...); do \
		tests=$$($(GO) test -list '^Fuzz' $$package) || { echo "$$tests" >&2; exit 1; }; \
		for fuzz in $$(echo "$$tests" | grep '^Fuzz'); do \
			echo "$$package $$fuzz"; \
			$(GO) test -run '^$$' -fuzz "^$$fuzz\$$" -fuzztime $(FUZZTIME) $$package || exit 1; \
		done; \
	done

proof: ## the long campaigns, tests named TestProof..., with their counts
	@campaigns=$$(grep -rl --include='*_test.go' '^func TestProof' . | xargs -r -n 1 dirname | sort -u); \
	test -n "$$campaigns" || { echo "make proof: no test is named TestProof..." >&2; exit 1; }; \
	FETTLE_PROOF=1 $(GO) test -count=1 -timeout 60m -v -run '^TestProof' $$campaigns
