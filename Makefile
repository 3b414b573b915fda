# Readback's make targets; `make help` lists them.

GO      ?= go
VERSION := $(shell git describe --tags --always --dirty 2>/dev/null || echo unreleased)
LDFLAGS := -X readback/internal/cli.Version=$(VERSION)
FUZZTIME ?= 10s
POINTS  ?= 200
SEEDS   ?= 20

.DEFAULT_GOAL := help
.PHONY: help build test features race fuzz faults seeds demo run bench lint need-go need-postgres need-chromium

help: ## list the targets
	@sed -n 's/^\([a-z-]*\):.*## \(.*\)/\1|\2/p' Makefile | while IFS='|' read -r target what; do \
		printf '  make %-8s %s\n' "$$target" "$$what"; done

build: need-go ## build bin/readback
	CGO_ENABLED=0 $(GO) build -trimpath -buildvcs=false -ldflags '$(LDFLAGS)' -o bin/readback ./cmd/readback

test: need-go need-postgres need-chromium ## run every test; PostgreSQL and Chromium are installed if missing and that is allowed
	@$(GO) test -timeout 5m ./... && echo 'make test: every package passed' || \
		{ status=$$?; echo 'make test: FAILED, in the packages marked FAIL above' >&2; exit $$status; }

features: need-go need-postgres need-chromium ## run the tests that docs/features.md names; one that is skipped or not there fails
	@GO='$(GO)' bash .ci/features

race: need-go need-postgres need-chromium ## run every test under the race detector (needs a C compiler)
	CGO_ENABLED=1 $(GO) test -race -timeout 10m ./...

fuzz: need-go need-postgres ## fuzz every decoder for a moment (FUZZTIME=10s each)
	@grep -rl --include='*_test.go' '^func Fuzz' . | while read -r file; do \
		sed -n 's/^func \(Fuzz[A-Za-z0-9_]*\)(.*/\1/p' "$$file" | while read -r target; do \
			echo "$${file%/*} $$target"; \
			$(GO) test -run '^$$' -fuzz "^$$target$$" -fuzztime $(FUZZTIME) "$${file%/*}" </dev/null || exit 1; \
		done || exit 1; \
	done

faults: need-go need-postgres ## kill the server and PostgreSQL at many more points than make test does (POINTS=200 SEED=1)
	$(GO) test -count=1 -v -timeout 60m -run '^TestKill' ./internal/faults -points $(POINTS) $(if $(SEED),-seed $(SEED))

demo: build need-postgres ## the main job, end to end, in seconds once built (SEED=n for other readings, STORY=second)
	bin/readback demo $(if $(STORY),--story $(STORY)) $(if $(SEED),--seed $(SEED))

run: build need-postgres ## the demo world, served until you stop it
	bin/readback demo --world

seeds: need-go need-postgres ## play both stories of the demo with many more readings than make test does (SEEDS=20)
	$(GO) test -count=1 -v -timeout 60m -run 'Story$$' ./internal/demo -seeds $(SEEDS)

bench: need-go need-postgres ## the service against the bare machine, in one table with its goals; some minutes
	@cd internal/bench && $(GO) test -count 1 -timeout 60m -run '^TestBench$$' -args -long

lint: need-go ## gofmt, go vet, staticcheck
	@unformatted=$$(find . -name '*.go' -exec gofmt -l {} +) && \
		if [ -n "$$unformatted" ]; then echo "not formatted by gofmt:"; echo "$$unformatted"; exit 1; fi
	$(GO) vet ./...
	$(GO) tool -modfile=.ci/lint.mod staticcheck ./...

# An older Go that may load newer versions of itself does so when it reads go.mod; the version asked for here is the one
# that will build.
need-go:
	@command -v $(GO) >/dev/null 2>&1 || \
		{ echo 'Go is not installed, or not in PATH. Readback needs the version that go.mod names, or a newer one.' >&2; exit 1; }
	@need=$$(sed -n 's/^go //p' go.mod) && have=$$($(GO) env GOVERSION 2>&1) && \
		[ "$$(printf '%s\n' "$$need" "$${have#go}" | sort -V | head -n 1)" = "$$need" ] || \
		{ echo "Go $$need or newer is needed; $$(command -v $(GO)) says: $$have" >&2; exit 1; }

need-postgres:
	@sh deploy/ensure-postgres.sh

need-chromium:
	@sh deploy/ensure-chromium.sh
