# fourwire: the two commands of the README are `make demo` and `make test`.
GO ?= go
BIN := fourwire
PLATFORMS := linux/amd64 linux/arm64 windows/amd64 darwin/arm64
# what the tests use beside Go; all of it from Debian's packages
DEBIAN := gcc libc6-dev ngspice chromium libreoffice-calc python3-uno poppler-utils

.PHONY: build demo test check tools unit fuzz platforms bench schema clean

build:
	CGO_ENABLED=0 $(GO) build -trimpath -o $(BIN) ./cmd/fourwire

# The main job over real sockets: a simulated bench in its own process, a converter sweep against it.
demo: build
	./scripts/demo

# Everything: installs what the tests need where it can, then checks and runs them all.
test: tools check unit

tools:
	./scripts/install-test-tools $(DEBIAN)

check:
	@test -z "$$(gofmt -l $$(git ls-files '*.go'))" || { echo "gofmt: these files want formatting:"; gofmt -l $$(git ls-files '*.go'); exit 1; }
	$(GO) vet ./...
	$(GO) tool staticcheck ./...

# Tests that watch heart beats in real time run beside nothing but each other; they mostly wait.
ALONE := ./internal/e2e ./cmd/fourwire
unit:
	$(GO) test -race $$($(GO) list ./... | grep -v -E '/(internal/e2e|cmd/fourwire)$$')
	$(GO) test -race $(ALONE)

# Every fuzz target for a short while; FUZZTIME=10m for a long one.
FUZZTIME ?= 10s
fuzz:
	./scripts/fuzz $(FUZZTIME)

platforms:
	@for p in $(PLATFORMS); do \
		echo "build $$p"; \
		CGO_ENABLED=0 GOOS=$${p%/*} GOARCH=$${p#*/} $(GO) build -trimpath -o /dev/null ./cmd/fourwire || exit 1; \
	done

bench:
	$(GO) test -run '^$$' -bench . -benchmem ./...

# Write the JSON Schemas again after a file format changed.
schema:
	$(GO) test ./schema -update

clean:
	rm -rf $(BIN) demo-out records
