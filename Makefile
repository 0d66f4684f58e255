# `make help` lists what there is; `make test` is what CI runs (.ci/run) and sets up what it needs.

SHELL := bash
.SHELLFLAGS := -euo pipefail -c
.DEFAULT_GOAL := help
.NOTPARALLEL:

# Programs that only the tests need are built into a cache that git ignores.
CACHE := $(CURDIR)/.cache
export PATH := $(CACHE)/bin:$(PATH):/usr/sbin

# What the tests need today beside Go. Each has a target tools-NAME below that does nothing when
# the program is there: gcc (for the race detector), influxd, mosquitto, postgresql, chromium, npm.
TOOLS := gcc npm influxd mosquitto postgresql chromium

# How many inputs `make test` gives each fuzz target, and how long `make fuzz` takes for each. A
# number, because on a busy machine the go command may report its own deadline as a failure.
FUZZTIME ?= 1000x
LONGFUZZTIME ?= 3m

# Packages of plain arithmetic without goroutines: the race detector would make them many times
# slower and could find nothing. All others are tested under it.
NORACE := helmholtz|fluid|mixture|vle|moistair|plant
PACKAGES = $(shell go list ./...)
PLAIN = $(shell go list ./... | grep -E '^dewline/thermo/($(NORACE))$$')
RACED = $(filter-out $(PLAIN),$(PACKAGES))

INFLUXD_VERSION := v1.8.10

.PHONY: help
help: ## list these targets
	@awk -F ':.*## ' '/^[a-z-]+:.*## / {printf "make %-12s %s\n", $$1, $$2}' Makefile

.PHONY: build
build: pages-npm ## build bin/dewline
	@go build -trimpath -o bin/ ./cmd/dewline

.PHONY: demo
demo: pages-npm ## start everything in one process with an invented fleet (ARGS="--http ADDR")
	@go run ./cmd/dewline demo $(ARGS)

.PHONY: test
test: export DEWLINE_REQUIRE := 1
test: tools ## set up and check everything: what CI runs
	@.ci/step format .ci/format
	@.ci/step build go build ./...
	@.ci/step vet go vet ./...
	@.ci/step staticcheck go tool staticcheck ./...
	@.ci/step generated .ci/generated
	@.ci/step fuzz .ci/fuzz $(FUZZTIME)
	@$(if $(PLAIN),go test -vet=off -shuffle=on $(PLAIN))
	@go test -vet=off -race -shuffle=on -timeout=20m $(RACED)

.PHONY: bench
bench: ## run the benchmarks (BENCH=regexp, PKG=./thermo/...)
	@go test -vet=off -run='^$$' -bench='$(or $(BENCH),.)' -benchmem $(or $(PKG),./...)

# What the service does on this machine; cmd/dewline/BENCH.md keeps the last figures.
BENCHED := bin/dewline bench
KEPT := --report cmd/dewline/BENCH.md

.PHONY: bench-ingest
bench-ingest: build tools-mosquitto tools-influxd ## measure throughput and its cost, 12 minutes (ARGS=)
	@$(BENCHED) ingest --duration 5m $(KEPT) $(ARGS)
	@$(BENCHED) ingest --duration 2m --rate 60000 $(KEPT) $(ARGS)
	@$(BENCHED) ingest --duration 2m --rate 60000 --cbor $(KEPT) $(ARGS)
	@$(BENCHED) ingest --duration 2m --rate 60000 --broker mosquitto --store influxd $(KEPT) $(ARGS)

.PHONY: bench-fleet
bench-fleet: build ## measure a fleet of 20,000 systems, live and after an outage, 1 to 2 hours (ARGS=)
	@$(BENCHED) fleet --duration 30m $(KEPT) $(ARGS)
	@$(BENCHED) fleet --reconnect --stats $(KEPT) $(ARGS)

.PHONY: bench-store
bench-store: build ## measure size and reading of a year, 3 minutes (ARGS=)
	@$(BENCHED) store $(KEPT) $(ARGS)

.PHONY: bench-pages
bench-pages: build tools-chromium ## measure the pages of 20,000 systems, 2 minutes (ARGS=)
	@$(BENCHED) pages $(KEPT) $(ARGS)

# Tune on seeds below 9000 only: those from 9001 on are for this.
.PHONY: score
score: build ## score analytics on 1,200 unseen system-months, 10 to 20 minutes; keeps analytics/SCORE.md (ARGS=)
	@bin/dewline score --fleets 20 --first-seed 9001 --systems 30 --days 60 --report analytics/SCORE.md $(ARGS)

.PHONY: kill-long
kill-long: tools-mosquitto ## kill the service 20 times, and a broker beside it, 6 minutes (DEWLINE_KILL_SEED=)
	@go test -vet=off -count=1 -timeout=30m -run='^TestKill$$' -v ./cmd/dewline -kill.long

.PHONY: screenshots
screenshots: pages-npm tools-chromium ## picture each page, desktop and phone, light and dark, into .cache/screenshots, 6 minutes
	@go test ./dashboards -count=1 -timeout 30m -run InBrowser -screenshots "$(CACHE)/screenshots"

.PHONY: fuzz
fuzz: ## fuzz each target for minutes (LONGFUZZTIME=3m)
	@.ci/fuzz $(LONGFUZZTIME)

.PHONY: vuln
vuln: ## scan for known vulnerabilities (needs the database at vuln.go.dev)
	@go tool govulncheck ./...

.PHONY: generate
generate: ## rewrite the generated files
	@go generate ./...

.PHONY: clean
clean: ## remove what the build and the tests made
	@rm -rf bin $(CACHE) dashboards/node_modules dashboards/assets/vendor/*.js dashboards/assets/vendor/*.css

# Set-up of the tests, each program only if it is missing.

.PHONY: tools tools-gcc tools-influxd tools-mosquitto tools-postgresql tools-chromium tools-npm
tools: $(TOOLS:%=tools-%)

tools-gcc:
	@.ci/step gcc .ci/apt gcc gcc libc6-dev

tools-mosquitto:
	@.ci/step mosquitto .ci/apt mosquitto mosquitto

tools-postgresql:
	@.ci/step postgresql .ci/apt initdb postgresql

tools-chromium:
	@.ci/step chromium .ci/apt chromium chromium

# A real InfluxDB server in pure Go, kept out of go.mod: only tests talk to it.
tools-influxd: $(CACHE)/bin/influxd
$(CACHE)/bin/influxd:
	@.ci/step influxd env GOBIN=$(CACHE)/bin GOFLAGS= CGO_ENABLED=0 \
		go install github.com/influxdata/influxdb/cmd/influxd@$(INFLUXD_VERSION)

# The npm parts of the pages, as their lock file says, copied to where the binary embeds them.
tools-npm: dashboards/assets/vendor/htmx.min.js

# A build without them works too, with tables in the place of live charts.
.PHONY: pages-npm
pages-npm:
	@$(MAKE) --no-print-directory tools-npm || echo "the npm parts of the pages could not be installed: charts will not be interactive"

dashboards/assets/vendor/htmx.min.js: dashboards/package-lock.json
	@.ci/step npm .ci/apt npm npm
	@.ci/step npm-ci npm ci --prefix dashboards --no-audit --no-fund
	@.ci/step npm-copy npm run --prefix dashboards --silent vendor
	@touch $@
