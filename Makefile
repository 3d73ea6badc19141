# The commands a developer or a curious person needs. `make` alone lists them.
.DEFAULT_GOAL := help
SHELL := bash
.SHELLFLAGS := -euo pipefail -c

GO     ?= go
GOTEST ?= $(GO) test
TOOLS  := $(CURDIR)/.cache/tools
# One package at a time a core: each package's tests start servers of their own.
TESTFLAGS ?= -timeout 20m
FUZZTIME  ?= 30s
DATA ?= data/demo
HTTP ?= 127.0.0.1:8080
GRPC ?= 127.0.0.1:9090

.PHONY: help
help: ## list the targets
	@awk -F ':.*## ' '/^[a-z-]+:.*## / { printf "  make %-11s %s\n", $$1, $$2 }' $(MAKEFILE_LIST)

.PHONY: build
build: ## build bin/creepage
	$(GO) build -trimpath -o bin/creepage ./cmd/creepage

.PHONY: postgres
postgres:
	@deploy/setup/postgres.sh

.PHONY: test
test: postgres ## run every test
	@deploy/setup/tests.sh
	$(GOTEST) $(TESTFLAGS) ./...

.PHONY: demo
demo: postgres build ## start everything in one process and load the demo fleet
	bin/creepage up --data $(DATA) --http $(HTTP) --grpc $(GRPC) --demo

.PHONY: bench
bench: postgres ## measure readings a second from the call to the commit, beside the raw rates
	$(GO) test -run '^$$' -bench '^BenchmarkCallToCommit$$' -benchtime 1x -timeout 20m ./internal/app

.PHONY: bench-reports
bench-reports: postgres ## measure rows a second of 10 million readings to files, beside COPY (half an hour)
	CREEPAGE_BENCH_READINGS=10000000 $(GO) test -run '^$$' -bench '^BenchmarkReadingsToAFile$$' -benchtime 1x -timeout 60m ./services

.PHONY: bench-nightly
bench-nightly: postgres ## measure the daily pass over 100,000 stored vehicles through PostgreSQL (a quarter of an hour)
	CREEPAGE_BENCH_VEHICLES=100000 $(GO) test -run '^$$' -bench '^BenchmarkNightlyPassStored$$' -benchtime 1x -timeout 60m ./worker

.PHONY: generate
generate: ## generate api/ from proto/ (needs node and npm)
	@deploy/setup/node.sh
	proto/generate.sh

.PHONY: lint
lint: $(TOOLS)/golangci-lint ## gofmt, go vet and the linters of .golangci.yml
	@unformatted=$$(git ls-files '*.go' | xargs gofmt -l); \
	  if [ -n "$$unformatted" ]; then echo "not formatted by gofmt:"; echo "$$unformatted"; exit 1; fi
	$(GO) vet ./...
	$(TOOLS)/golangci-lint run ./...

$(TOOLS)/golangci-lint: internal/tools/go.mod internal/tools/go.sum
	cd internal/tools && $(GO) build -o $@ github.com/golangci/golangci-lint/v2/cmd/golangci-lint

$(TOOLS)/govulncheck: internal/tools/go.mod internal/tools/go.sum
	cd internal/tools && $(GO) build -o $@ golang.org/x/vuln/cmd/govulncheck

.PHONY: fuzz
fuzz: ## fuzz every parser for FUZZTIME (30s) each
	@grep -rl --include='*_test.go' '^func Fuzz' cmd internal services worker 2>/dev/null | sort | while read -r file; do \
	  for name in $$(sed -n 's/^func \(Fuzz[A-Za-z0-9_]*\)(.*/\1/p' "$$file"); do \
	    echo "$$(dirname "$$file") $$name"; \
	    $(GO) test -run '^$$' -fuzz "^$$name\$$" -fuzztime $(FUZZTIME) "./$$(dirname "$$file")"; \
	  done; done

.PHONY: import-million
import-million: ## import a million rows of CSV and of XLSX and watch the memory (minutes)
	$(GO) test -tags million -run MillionRows -v -timeout 60m ./internal/sheet

.PHONY: crosscheck
crosscheck: ## run the published checks alone, and those against scipy, statsmodels and R on fresh random data
	@deploy/setup/crosscheck.sh
	$(GO) test -count=1 -tags crosscheck -run 'Published|Crosscheck' -v ./internal/insulation/... ./internal/trend/... ./internal/locate/...

.PHONY: backtest
backtest: build ## score the method beside simpler ones on simulated fleets (5 seeds x 3 physics; a quarter of an hour)
	bin/creepage judge

.PHONY: ablation
ablation: build ## score what each part of learning is worth, on fleets of 3,000 (an hour)
	bin/creepage judge --seeds 101 --vehicles 3000 --ablation

.PHONY: demo-said
demo-said: build ## replay the demo fleet's records and say what would have been said, and when
	mkdir -p out/backtest
	bin/creepage backtest --platforms testdata/demo/platforms.json --readings testdata/demo/readings.csv \
	  --events testdata/demo/events.csv --codes testdata/demo/codes.csv --every 168h --out out/backtest

.PHONY: vulncheck
vulncheck: $(TOOLS)/govulncheck ## look for known vulnerabilities (needs the Go vulnerability database)
	@$(TOOLS)/govulncheck ./... || { code=$$?; \
	  if [ $$code = 3 ]; then echo "vulnerabilities were found: see above"; \
	  else echo "NO VERDICT: the vulnerability database (vuln.go.dev) could not be read; run this where it can be reached"; fi; exit $$code; }

.PHONY: ci
ci: ## what .ci/run does
	.ci/run
