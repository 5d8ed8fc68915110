# Every target has one line of help behind "##". The work is in .ci/ and deploy/check.sh, so that a line can be tried by hand.
#
# Lanes: the CPU lane is everything that computes, the waiting lane everything that waits for processes and peers; they run
# side by side. Everything built or installed goes to bin/.

SHELL := /bin/bash
.SHELLFLAGS := -euo pipefail -c
.DEFAULT_GOAL := help
# The lanes are the parallel part, and they start each other; make -j would only mix their output.
.NOTPARALLEL:

# A login shell finds Go, a CI shell or sudo may not.
export PATH := $(PATH):/usr/local/go/bin
GOBUILD = CGO_ENABLED=0 go build -trimpath -ldflags "-s -w"

.PHONY: help build demo tools test lint race fuzz mutate peers deploy-check bench soak release-check clean peer gotest start-clean

help: ## this list
	@grep -hE '^[a-z-]+:.*## ' $(MAKEFILE_LIST) | sed -E 's/^([a-z-]+):.*## /\1\t/' | expand -t 16

build: ## the static binary: bin/rillwatch
	$(GOBUILD) -o bin/rillwatch ./cmd/rillwatch

demo: build ## watch a simulated panel through two upsets (ONCE=1: end after the script)
	./bin/rillwatch demo $(if $(ONCE),--once)

tools: ## install what the tests need and this machine lacks (as root, or sudo without a password)
	@.ci/tools

test: start-clean tools build peer gotest ## everything that proves the program, in two lanes (what CI runs)
	@.ci/lanes

lint: ## gofmt, go vet, staticcheck
	@.ci/lint

race: ## the CPU lane's Go tests alone, with the race detector
	@go test -race $$(go list ./... | grep -vE '/internal/(peertest|e2e|crashtest)(/|$$)')

fuzz: ## every fuzz target, 10 s each (TIME=1m for longer)
	@.ci/fuzz $(or $(TIME),10s)

mutate: ## turn each comparison of the judges by its edge: a test must notice (half an hour)
	@nice go run ./.ci/mutate

peers: build peer gotest ## the waiting lane alone: demo, independent peers, Prometheus, kills
	@.ci/lane waiting

deploy-check: build ## the systemd unit and the Prometheus files, by the programs that will read them
	@deploy/check.sh bin/rillwatch

bench: ## every benchmark, one line a figure
	@.ci/bench

soak: build peer gotest mutate ## the long forms: a million values over bad lines, 1,000 kills and tens of thousands of crash images, fuzz targets 60 s each, the waiting lane three times, make mutate
	@RILLWATCH_SOAK=1 go test -count=1 -timeout 60m -v -run 'AllFaults|Gateway|SilentStation|Reconnects' ./internal/bus | grep -E 'figure:|^(---|ok|FAIL|panic)'
	@RILLWATCH_SOAK=1 RILLWATCH_BIN=$(CURDIR)/bin/rillwatch go test -count=1 -timeout 120m -v ./internal/crashtest | grep -E 'figure:|^(---|ok|FAIL|panic)'
	@.ci/fuzz 60s
	@COUNT=3 .ci/lane waiting

release-check: build ## deploy-check, and the cross-builds for arm64 and armv7
	@deploy/check.sh bin/rillwatch
	@for t in "arm64" "arm 7"; do set -- $$t; \
	  GOOS=linux GOARCH=$$1 GOARM=$${2:-} $(GOBUILD) -o bin/release/rillwatch-linux-$$1$${2:+v$$2} ./cmd/rillwatch; \
	  echo "ok      cross-build linux/$$1$${2:+v$$2} $$(stat -c %s bin/release/rillwatch-linux-$$1$${2:+v$$2}) bytes"; done

clean: ## remove bin/
	rm -rf bin

# Without a line of help: parts of the above.

start-clean:
	@rm -rf bin/lanes && mkdir -p bin/lanes

peer:
	@.ci/peer

gotest:
	@go build -o bin/tools/gotest ./.ci/gotest
