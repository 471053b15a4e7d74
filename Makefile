# pithward: `make build`, `make test` and `make demo` set the machine up by
# themselves (see .ci/setup). All cgo work uses the one set of flags in .cgo.env,
# since each other set compiles gocv anew.

SHELL   := bash
CGO     := set -a; . ./.cgo.env; set +a;
PURE    := CGO_ENABLED=0
VERSION := $(shell git describe --tags --always --dirty 2>/dev/null || echo dev)
FUZZTIME ?= 20s
BENCH    ?= .

# Packages free of the image library.
pure = $$($(CGO) go list -f '{{.ImportPath}} {{join .Deps " "}}' ./... | grep -v gocv.io/ | cut -d' ' -f1)

.PHONY: build setup web test check short demo evaluate evaluate-dating race fuzz bench golden lint leak cover clean

# A program that comes out the same keeps its time, so that test results that
# rest on it stay cached.
build: setup web
	@mkdir -p bin/.made
	$(PURE) go build -trimpath -ldflags '-X main.version=$(VERSION)' -o bin/.made/ ./cmd/pithward
	$(CGO) go build -o bin/.made/ ./cmd/pithward-scan
	@install -C bin/.made/* bin/

setup:
	@.ci/setup

# The desk's page, bundled for the program to embed. Without Node.js the program
# is built without it, and says so when it is asked for.
ui := cmd/pithward/desk/ui
web:
	@if command -v npm >/dev/null && command -v node >/dev/null; then \
		cd $(ui) && { [ node_modules/.package-lock.json -nt package-lock.json ] || npm ci --silent --no-fund --no-audit; } && \
		node build.mjs; \
	else echo "web: no Node.js and npm here: the program is built without the desk's page"; fi

test: build check
	$(CGO) go test ./...

check:
	@unformatted=$$(git ls-files -co --exclude-standard '*.go' | xargs -r ls -d 2>/dev/null | xargs -r gofmt -l); \
	[ -z "$$unformatted" ] || { echo "not gofmt-ed: $$unformatted"; exit 1; }
	$(CGO) go vet ./...
	@if [ -x $(ui)/node_modules/.bin/tsc ]; then cd $(ui) && node_modules/.bin/tsc --noEmit; fi

# What needs no image library, under a minute.
short:
	$(PURE) go test -short $(pure)

# The main job on a made-up tray; ends with its summary and the pictures' paths.
demo: build
	bin/pithward demo demo
	bin/pithward measure demo/*.tif --sheet demo/cores.csv --overwrite --strips

# Boundary, width and scale errors on a seeded suite of rendered trays.
evaluate: build
	$(PURE) go run ./cmd/evaluate $(ARGS)

# How many missed and invented rings are found, by picture and time together.
evaluate-dating:
	$(PURE) go run ./cmd/evaluate-dating $(ARGS)

race:
	go test -race -short $(pure)

fuzz:
	@$(CGO) set -e; for p in $(pure); do \
		for f in $$(go test -list '^Fuzz' $$p | grep '^Fuzz' || true); do \
			echo "$$p $$f"; go test -run '^$$' -fuzz "^$$f$$" -fuzztime $(FUZZTIME) $$p; \
		done; done

bench: build
	$(PURE) go run ./cmd/cost
	$(CGO) go test -run '^$$' -bench '$(BENCH)' -benchmem ./...

# Writes the golden files anew; read the diff before you commit it.
golden: build
	$(CGO) go test $$(grep -rlE 'flag\.Bool\("update"' --include='*_test.go' . | xargs -r -n1 dirname | sort -u) -update

lint:
	@if command -v golangci-lint >/dev/null; then $(CGO) golangci-lint run ./...; \
	else $(CGO) go vet ./... && go run honnef.co/go/tools/cmd/staticcheck@v0.7.0 ./...; fi

# Counts the image library's matrices before and after; compiles gocv anew.
leak:
	$(CGO) GOFLAGS=-tags=customenv,matprofile go test ./vision/...

cover:
	$(CGO) go test -coverprofile=coverage.out ./... && go tool cover -func=coverage.out | tail -1

clean:
	rm -rf bin demo coverage.out
