# The two commands of the README are `make demo` and `make test`; both set up all they need in .venv first.
PYTHON ?= python3
VENV := .venv
BIN := $(VENV)/bin
PYTEST_ARGS ?=

.PHONY: demo test check lint types lock audit screens clean

demo: $(VENV)/.run
	$(BIN)/boomledger demo

test: $(VENV)/.dev lint types
	$(BIN)/python -m pytest $(PYTEST_ARGS)

check: $(VENV)/.dev lint types

lint: $(VENV)/.dev
	$(BIN)/ruff check .
	$(BIN)/ruff format --check -q .

types: $(VENV)/.dev
	$(BIN)/mypy

$(VENV)/bin/python:
	@$(PYTHON) -c 'import sys; sys.exit(sys.version_info < (3, 11))' || \
		{ echo "Boomledger needs Python 3.11 or newer; name one with: make PYTHON=python3.12 demo"; exit 1; }
	$(PYTHON) -m venv $(VENV)

$(VENV)/.run: requirements.lock pyproject.toml | $(VENV)/bin/python
	$(BIN)/python -m pip install --quiet --require-hashes -r requirements.lock
	$(BIN)/python -m pip install --quiet --no-deps --editable .
	$(BIN)/python -c "import duty; duty.warm_up()"
	@touch $@

$(VENV)/.dev: requirements-dev.lock pyproject.toml | $(VENV)/bin/python
	$(BIN)/python -m pip install --quiet --require-hashes -r requirements-dev.lock
	$(BIN)/python -m pip install --quiet --no-deps --editable .
	$(BIN)/python -c "import duty; duty.warm_up()"
	@touch $@ $(VENV)/.run

lock:
	uv pip compile -q --universal --generate-hashes --no-header pyproject.toml -o requirements.lock
	uv pip compile -q --universal --generate-hashes --no-header --extra dev pyproject.toml -c requirements.lock -o requirements-dev.lock

# Known vulnerabilities of everything that is locked; asks an advisory database over the network.
audit: $(VENV)/.dev
	$(BIN)/pip-audit --require-hashes --disable-pip -r requirements.lock

clean:
	rm -rf $(VENV) .pytest_cache .mypy_cache .ruff_cache .hypothesis
