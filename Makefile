# Thin names for the scripts, which do the work.
.PHONY: all setup build test demo lint accuracy clean
all: build
setup:    ; scripts/setup
build:    setup ; go build -o bin/tapeline ./cmd/tapeline
test:     ; scripts/test
demo:     ; scripts/demo
lint:     ; scripts/setup --dev && "$${TAPELINE_HOME:-$${XDG_CACHE_HOME:-$$HOME/.cache}/tapeline}/bin/golangci-lint" run ./...
accuracy: ; scripts/accuracy samples
clean:    ; rm -rf bin out
