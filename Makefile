# Everything is installed into .venv and compiled into target; nothing outside this folder changes.
# Needed beforehand: Rust with cargo, Python 3.10 or newer, make, and a C compiler for linking.

SHELL := bash
.SHELLFLAGS := -eu -o pipefail -c
.DELETE_ON_ERROR:
.DEFAULT_GOAL := help
MAKEFLAGS += --no-builtin-rules

PYTHON ?= python3
CARGO ?= cargo
PYTEST_ARGS ?=

VENV := .venv
PY := $(VENV)/bin/python
STAMPS := $(VENV)/.stamps
MATURIN_DEVELOP := $(VENV)/bin/maturin develop --release

export VIRTUAL_ENV := $(CURDIR)/$(VENV)
export PATH := $(CURDIR)/$(VENV)/bin:$(PATH)
export PIP_QUIET := 1
export PIP_DISABLE_PIP_VERSION_CHECK := 1
unexport CONDA_PREFIX PYTHONHOME PYTHONPATH

# Folders are listed too: a deleted file must also lead to a rebuild.
RUST_SOURCES := $(shell find src) Cargo.toml Cargo.lock pyproject.toml

# Cargo compiles Polars anew whenever these two change, so whatever runs cargo with the feature
# `python` must see what maturin sees.
PYO3_ENV = PYO3_BUILD_EXTENSION_MODULE=1 \
	PYO3_CONFIG_FILE="$$(ls -t "$(CURDIR)"/target/maturin/pyo3-config-*.txt | head -n 1)"

.PHONY: help build demo test lint test-rust test-python bench study docs wheel oldest clean distclean

help: ## list the targets
	@awk -F ':.*## ' '/^[a-z-]+:.*## / {printf "  %-12s %s\n", $$1, $$2}' $(MAKEFILE_LIST)

# --- environment and extension ------------------------------------------------------------------

$(STAMPS)/venv:
	@command -v $(CARGO) >/dev/null || { \
		echo "Rust is missing: install it with cargo, then run make again." >&2; exit 1; }
	@command -v $(PYTHON) >/dev/null || { \
		echo "$(PYTHON) is missing: install Python 3.10 or newer, or name it: make PYTHON=..." >&2; exit 1; }
	@$(PYTHON) -c 'import sys; sys.exit(sys.version_info < (3, 10))' || { \
		echo "$(PYTHON) is older than 3.10: name a newer one: make PYTHON=python3.12 ..." >&2; exit 1; }
	@if ! $(PY) -m pip --version >/dev/null 2>&1; then \
		if [ -e $(VENV) ]; then \
			echo "$(VENV) holds no working Python with pip: remove it and run make again." >&2; exit 1; \
		fi; \
		$(PYTHON) -m venv $(VENV) || { rm -rf $(VENV); \
			echo "$(PYTHON) cannot make a virtual environment. Debian and Ubuntu keep that apart:" >&2; \
			echo "    sudo apt install python3-venv" >&2; exit 1; }; \
	fi
	@mkdir -p $(@D) && touch $@

$(STAMPS)/maturin: pyproject.toml | $(STAMPS)/venv
	$(PY) -m pip install "$$($(PY) -c 'import re, sys; \
		print(re.search(r"\"(maturin[^\"]*)\"", sys.stdin.read()).group(1))' < pyproject.toml)"
	@touch $@

$(STAMPS)/extension: $(RUST_SOURCES) | $(STAMPS)/maturin
	@echo "Compiling the extension. The first time includes Polars: about ten minutes on two cores."
	$(MATURIN_DEVELOP) --extras plots,report
	@touch $@

# The extension is fresh by now, so this only installs packages.
$(STAMPS)/test-tools: pyproject.toml | $(STAMPS)/extension
	$(MATURIN_DEVELOP) --extras plots,studies,report,notebooks,cluster,test
	@touch $@

$(STAMPS)/docs-tools: pyproject.toml | $(STAMPS)/extension
	$(MATURIN_DEVELOP) --extras plots,report,docs
	@touch $@

build: $(STAMPS)/extension ## compile the extension and install the package into .venv

# --- use ----------------------------------------------------------------------------------------

demo: $(STAMPS)/extension ## analyse the demonstration fleet into out/demo
	deadband analyse demo-data --out out/demo
	@test -s out/demo/report.html
	@echo "The page: $(CURDIR)/out/demo/report.html"

# --- checks -------------------------------------------------------------------------------------

test: lint test-rust test-python ## lint, Rust tests, Python tests

lint: $(STAMPS)/test-tools ## formatters, clippy, ruff, type checker, stubs, Rust documentation
	$(CARGO) fmt --check
	ruff check
	ruff format --check
	$(CARGO) clippy --all-targets -- -D warnings
	$(PYO3_ENV) $(CARGO) clippy --release --features python -- -D warnings
	RUSTDOCFLAGS=-Dwarnings $(CARGO) doc --no-deps
	mypy
	stubtest deadband._core --mypy-config-file pyproject.toml

test-rust: ## Rust tests: unit, property, documentation
	$(CARGO) test

test-python: $(STAMPS)/test-tools ## Python tests; PYTEST_ARGS goes to pytest
	OPENBLAS_NUM_THREADS=1 $(PY) -m pytest --numprocesses=auto --dist=worksteal $(PYTEST_ARGS)

oldest: $(STAMPS)/maturin ## Python tests on the oldest Polars and NumPy that pyproject.toml admits
	$(VENV)/bin/maturin build --release --out target/oldest/dist
	$(PY) tests/oldest.py target/oldest

bench: $(STAMPS)/test-tools ## benchmarks of the Rust core and of the Python verbs
	@if compgen -G "benches/*.rs" >/dev/null; then $(CARGO) bench --bench '*'; fi
	@for script in benches/bench_*.py; do \
		if [ -e "$$script" ]; then echo "== $$script"; $(PY) "$$script"; fi; \
	done

study: $(STAMPS)/test-tools ## the simulation study behind the figures of the README
	$(PY) benches/study.py

# --- publishing ---------------------------------------------------------------------------------

docs: $(STAMPS)/docs-tools ## documentation of both languages into docs/_build/html
	RUSTDOCFLAGS=-Dwarnings $(CARGO) doc --no-deps
	sphinx-build --quiet --fail-on-warning --keep-going docs docs/_build/html
	rm -rf docs/_build/html/rust
	cp -r target/doc docs/_build/html/rust
	@echo "The pages: $(CURDIR)/docs/_build/html/index.html"

wheel: $(STAMPS)/maturin ## a wheel and a source archive in dist
	$(VENV)/bin/maturin build --release --out dist
	$(VENV)/bin/maturin sdist --out dist

# --- tidying ------------------------------------------------------------------------------------

clean: ## remove results and caches; compiled code and .venv stay
	rm -rf out dist docs/_build .pytest_cache .mypy_cache .ruff_cache .hypothesis
	find . \( -path ./$(VENV) -o -path ./target \) -prune -o -name __pycache__ -prune -exec rm -rf {} +

distclean: clean ## also remove compiled code and .venv
	rm -rf target $(VENV)
	rm -f python/deadband/_core.*.so python/deadband/_core.*.pyd
