# Fettle's targets. `make` alone says what there is.

GO       ?= go
FUZZTIME ?= 10s

.PHONY: help demo test race lint build bench fuzz proof tools
.DEFAULT_GOAL := help

help: ## say what there is
	@awk -F ':.*## ' '/^[a-z]+:.*## / { printf "make %-6s %s\n", $$1, $$2 }' Makefile

demo: ## the whole job on the simulated bench, told step by step
	@$(GO) build -o build/ ./cmd/fettle
	@build/fettle demo
	@echo "The command is here: build/fettle"

test: tools lint ## lint, then every test
	$(GO) test ./...

# The race detector makes a simulation of hours many times slower, and has nothing to see in one goroutine.
race: tools ## the race detector on the tests of the packages where more than one goroutine is at work
	@test "$$($(GO) env CGO_ENABLED)" = 1 || \
		{ echo "make race: the race detector needs cgo: it is off (unset CGO_ENABLED, or set it to 1)" >&2; exit 1; }
	@packages=$$(grep -rlE --include='*.go' --exclude-dir=node_modules '^\s*go [a-z]|\.Go\(|\.Parallel\(' . | xargs -r -n 1 dirname | sort -u); \
	test -n "$$packages" || { echo "make race: no package has more than one goroutine" >&2; exit 1; }; \
	$(GO) test -race $$packages

lint: ## gofmt, go vet, staticcheck at the version that go.mod pins
	@unformatted=$$("$$($(GO) env GOROOT)/bin/gofmt" -l .) && test -z "$$unformatted" || \
		{ printf 'not as gofmt has it:\n%s\n' "$$unformatted" >&2; exit 1; }
	$(GO) vet ./...
	$(GO) tool staticcheck ./...

# What the tests run beside Go: a C compiler for the race detector, which needs cgo, and for the board's link; the board's
# compiler, its simulator, and the program that loads it; a resampler, and a second reader of captures, to compare ours with; a
# browser, and npm for what examines pages in it. Where apt-get is there, what is missing is installed.
browser := report/internal/browser

tools:
	@missing=; \
	has() { command -v "$$1" >/dev/null || missing="$$missing $$2"; }; \
	header() { echo "#include <$$1>" | $$3 -E -x c - >/dev/null 2>&1 || missing="$$missing $$2"; }; \
	has gcc gcc; has avr-gcc gcc-avr; has avr-objcopy binutils-avr; has avrdude avrdude; \
	has sox sox; has sigrok-cli sigrok-cli; \
	has chromium chromium; has npm npm; \
	header stdlib.h libc6-dev gcc; header simavr/sim_avr.h libsimavr-dev gcc; header libelf.h libelf-dev gcc; \
	header avr/io.h avr-libc "avr-gcc -mmcu=atmega328p"; \
	test -z "$$missing" && exit; \
	command -v apt-get >/dev/null || { echo "make test: these are missing (by the names of Debian's packages):$$missing" >&2; exit 1; }; \
	root=; test "$$(id -u)" = 0 || root=sudo; \
	echo "make test: installing$$missing"; \
	$$root apt-get update && $$root apt-get install -y --no-install-recommends $$missing || \
		{ echo "make test: these could not be installed:$$missing" >&2; exit 1; }
	@test $(browser)/node_modules/.package-lock.json -nt $(browser)/package-lock.json || \
		npm ci --prefix $(browser) --ignore-scripts --no-audit --no-fund

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
			$(GO) test -run '^$$' -fuzz "^$$fuzz\$$" -fuzztime $(FUZZTIME) -fuzzminimizetime 10x $$package || exit 1; \
		done; \
	done

proof: ## the long campaigns, tests named TestProof..., with their counts
	@campaigns=$$(grep -rl --include='*_test.go' '^func TestProof' . | xargs -r -n 1 dirname | sort -u); \
	test -n "$$campaigns" || { echo "make proof: no test is named TestProof..." >&2; exit 1; }; \
	FETTLE_PROOF=1 $(GO) test -count=1 -timeout 60m -v -run '^TestProof' $$campaigns
