# Everything the README promises is a target here; each installs what it needs.
SHELL := /bin/bash
GO ?= go
NODE_MODULES := testdata/node/node_modules
OUT ?= demo

.PHONY: help demo test unit vet node chromium web web-check bench accuracy compare fuzz fmt-check clean build

help: ## list the targets
	@grep -hE '^[a-z-]+:.*## ' $(MAKEFILE_LIST) | sed -E 's/:.*## /\t/' | sort

build: ## build the command into build/selvage
	@command -v $(GO) >/dev/null || { echo "make: the Go toolchain (1.26 or newer) is needed: https://go.dev/dl"; exit 1; }
	@mkdir -p build
	$(GO) build -trimpath -o build/selvage ./cmd/selvage

demo: build ## re-weight the demo wardrobe, leave files and pictures in demo/
	build/selvage demo --out $(OUT)

# Node and its packages serve the tests alone: the standard's own validator and
# an independent skinning implementation.
WEB := transfer/report/web
BROWSER := transfer/report/testdata/node
node: $(NODE_MODULES)/.installed $(WEB)/node_modules/.installed $(BROWSER)/node_modules/.installed chromium
$(WEB)/node_modules/.installed: $(WEB)/package-lock.json $(NODE_MODULES)/.installed
	npm ci --prefix $(WEB) --no-audit --no-fund
	@touch $@
$(BROWSER)/node_modules/.installed: $(BROWSER)/package-lock.json $(NODE_MODULES)/.installed
	npm ci --prefix $(BROWSER) --ignore-scripts --no-audit --no-fund
	@touch $@
$(NODE_MODULES)/.installed: testdata/node/package-lock.json
	@command -v npm >/dev/null || { \
	  if [ "$$(id -u)" = 0 ] && command -v apt-get >/dev/null; then apt-get update && apt-get install -y --no-install-recommends nodejs npm; \
	  else echo "make: node and npm are needed for the tests (Debian: apt-get install nodejs npm)"; exit 1; fi; }
	npm ci --prefix testdata/node --no-audit --no-fund
	@touch $@

# A browser for the tests of the report.
chromium:
	@command -v chromium >/dev/null || test -n "$$SELVAGE_CHROMIUM" || { \
	  if [ "$$(id -u)" = 0 ] && command -v apt-get >/dev/null; then apt-get update && apt-get install -y --no-install-recommends chromium; \
	  else echo "make: chromium is needed for the tests (Debian: apt-get install chromium; or name one in SELVAGE_CHROMIUM)"; exit 1; fi; }

# The report's 3D view: bundled by esbuild and committed, so that building the
# command needs no node.
web: $(WEB)/node_modules/.installed ## bundle the report's 3D view anew
	npm run --prefix $(WEB) build

web-check: $(WEB)/node_modules/.installed ## the committed bundle is what its sources give
	npm run --prefix $(WEB) check

test: vet unit web-check ## everything: format, vet, staticcheck, all tests, what is generated is current

# The two longest first, so that neither runs alone at the end.
unit: build node
	$(GO) test -timeout 15m ./transfer ./cmd/selvage ./...

vet: fmt-check ## go vet and staticcheck
	$(GO) vet ./...
	$(GO) tool staticcheck ./...
	$(GO) mod tidy -diff

fmt-check:
	@unformatted="$$(gofmt -l $$(git ls-files '*.go'))"; test -z "$$unformatted" || { echo "not gofmt'd: $$unformatted"; exit 1; }

bench: ## Go benchmarks; raw output with Go version and CPU into build/bench.txt
	@mkdir -p build
	@{ $(GO) version; grep -m1 'model name' /proc/cpuinfo; git rev-parse HEAD; } | tee build/bench.txt
	$(GO) test -run '^$$' -bench . -benchmem -timeout 60m ./... | tee -a build/bench.txt

accuracy: ## known truth against baselines; the table in BENCHMARKS.md
	$(GO) run ./transfer/internal/accuracy

.PHONY: passes
passes: ## edits by hand through five passes of the body; their section of BENCHMARKS.md
	$(GO) run ./transfer/internal/passes

.PHONY: layers
layers: ## what dives under other clothes with and without layers; their section of BENCHMARKS.md (two to four minutes)
	$(GO) run ./transfer/internal/layers

.PHONY: poses skeletons
poses: ## garments modelled in other default poses; their section of BENCHMARKS.md
	$(GO) run ./transfer/internal/accuracy -posed

skeletons: ## garments with skeletons of their own; their section of BENCHMARKS.md
	$(GO) run ./transfer/internal/accuracy -skeletons

compare: ## nearest surface and fill beside general-purpose libraries (C++), one run
	testdata/peers/compare.sh closest 100k 3
	testdata/peers/compare.sh solve 100k 3

FUZZTIME ?= 60s
fuzz: ## every fuzz target for FUZZTIME each
	@for p in $$($(GO) list ./...); do for f in $$($(GO) test -list '^Fuzz' $$p | grep '^Fuzz'); do \
	  echo "$$p $$f"; $(GO) test -run '^$$' -fuzz "^$$f$$" -fuzztime $(FUZZTIME) $$p || exit 1; done; done

clean: ## remove what was built
	rm -rf build demo

# Service
# The tools of the API have module files of their own, api/tools.mod and api/load.mod.
BUF = cd api && $(GO) tool -modfile=tools.mod buf
SOAK ?= 3m

.PHONY: proto proto-check proto-baseline service-check load soak
proto: ## generate the API's Go from its .proto files
	$(BUF) generate

proto-check: ## the API: lint, no breaking change against api/baseline.binpb, generated Go current
	$(BUF) lint
	$(BUF) breaking --against baseline.binpb
	@fresh=$$(mktemp -d) && trap 'rm -rf "$$fresh"' EXIT && ($(BUF) generate -o "$$fresh") && \
	  for f in "$$fresh"/selvage/v1/*.go; do cmp "$$f" "api/selvage/v1/$${f##*/}" || { echo "make: the generated Go is not current: make proto"; exit 1; }; done

proto-baseline: ## after a release: what later versions must stay compatible with
	$(BUF) build --exclude-source-info -o baseline.binpb

service-check: ## the service through a client of others' making, by reflection
	SELVAGE_TOOLS=1 $(GO) test -count=1 -run TestGrpcurl ./server

load: ## load test on loopback, bounded (about ten minutes); its section of BENCHMARKS.md
	$(GO) run ./server/internal/load

soak: ## mixed good, bad and cancelled calls for SOAK; its section of BENCHMARKS.md
	$(GO) run ./server/internal/load -soak $(SOAK)

test: proto-check service-check

.PHONY: farm-test farm-bench
farm-test: ## the farm's long tests on loopback: three servers, two workers, all of them killed; 20 interruptions of 500 variants, there and here; as root also a full disk, a slow one and a cut line (three to six minutes)
	SELVAGE_FARM_TEST=1 $(GO) test -count=1 -timeout 20m -v -run 'TestCluster|TestResume|TestDisk|TestNetwork' ./server/farm
	SELVAGE_FARM_TEST=1 $(GO) test -count=1 -timeout 10m -v -run 'TestBatch_Resume|TestBatch_DiskFull' ./cmd/selvage

farm-bench: ## variants a minute here and on this machine's farm, one and two workers; costs of a task and what they say of a large farm (about eight minutes on a quiet machine)
	@SELVAGE_FARM_BENCH="gloves:60:5,oilskin coat:25:3" $(GO) test -v -count=1 -timeout 40m -run TestThroughput ./server/farm
	@SELVAGE_FARM_COSTS="gloves:25,oilskin coat:10" $(GO) test -v -count=1 -timeout 20m -run TestCosts ./server/farm
