# Sawhorse. The targets that a user needs: demo, test. All others serve these.
.DEFAULT_GOAL := build
SHELL := /bin/bash
.SHELLFLAGS := -euo pipefail -c
GO ?= go
# Folder with recordings that stay outside the repository.
SAWHORSE_CAPTURES ?= $(abspath ../shared/data)
export SAWHORSE_CAPTURES
# What runs of the built-in scenarios spend their time on: the compiler inlines by it.
PROFILE := cmd/sawhorse/hot.pgo

.PHONY: build demo test tools check race kill kernel-lane bench profile clean help

build: ## build the programs into bin/
	@mkdir -p bin
	$(GO) build -pgo=$(PROFILE) -o bin/ ./cmd/...

demo: build ## a stand-in car, a fault, a diagnostic tool as a process of its own, verdicts
	./bin/sawhorse run real-drive --time wall --captures "$(SAWHORSE_CAPTURES)"

test: tools check race kill kernel-lane ## install what the tests need, and run all of them

tools: ## install the Debian packages that tests need, when root or with sudo
	@.ci/tools

check: ## formatting, vet, static analysis, foreign systems
	@out=$$(gofmt -l $$(git ls-files '*.go')); if [ -n "$$out" ]; then echo "not formatted: $$out"; exit 1; fi
	$(GO) vet ./...
	$(GO) tool staticcheck ./...
	GOOS=darwin $(GO) vet ./...

# The catalogue's drives and the scenarios' runs are hours of one goroutine's arithmetic:
# the detector makes them ten times slower and has nothing to find, so it sees a few of
# them only.
race: ## all tests, with the race detector and the fuzz seeds
	$(GO) test -race -timeout 20m $$($(GO) list ./... | grep -vE '/(bench/fault|scenarios)$$')
	$(GO) test -race -timeout 20m -run '/air-mass|Table' ./bench/fault
	$(GO) test -race -timeout 20m -run 'Built|Reject|Schema|Everything' ./scenarios
	$(GO) test -timeout 20m ./bench/fault
	$(GO) test -timeout 20m -run 'CapturesStay|RecordingsCome|Fused' ./bench

kill: ## every mistake seeded into the demo's tool is caught, and the tool without one has no false alarm
	$(GO) test -timeout 40m ./scenarios -args -seeds 200

kernel-lane: ## tests on a booted kernel with SocketCAN
	.ci/kernel-lane --canary
	.ci/kernel-lane

bench: ## measure; figures are ratios and times of this run on this machine
	$(GO) test -pgo=$(PROFILE) -run '^$$' -bench . -benchtime 500ms ./... | .ci/bench-table

profile: ## measure anew what the compiler is told of the programs' time
	@mkdir -p bin
	$(GO) test -trimpath -run '^$$' -bench EveryScenario -benchtime 2x -cpuprofile $(PROFILE) -o bin/bench.test ./bench

clean: ## remove what was built or left by runs
	rm -rf bin out .cache

help: ## this list
	@grep -hE '^[a-z-]+:.*##' $(MAKEFILE_LIST) | sed 's/:.*## /\t/' | expand -t 14
