# The two commands: `make demo` and `make test`. Each does all its own set-up and downloads nothing twice.
SHELL := /bin/bash
.SHELLFLAGS := -eu -o pipefail -c
PYTHON ?= python3
VENV := .venv
BIN := $(VENV)/bin
export OPENBLAS_NUM_THREADS ?= 1
export PIP_DISABLE_PIP_VERSION_CHECK := 1

.PHONY: demo test lint types wheel setup setup-dev browser recordings tables clean help

help:
	@echo "make demo    the whole job once, on real recordings"
	@echo "make test    style, types, tests (browser included), and the built wheel alone"
	@echo "make wheel   the wheel in dist/"
	@echo "make recordings, make tables   rebuild shipped recordings and tables"

$(VENV)/bin/python:
	@command -v $(PYTHON) >/dev/null || { echo "Python 3.11 or newer is needed: install python3 with its venv module."; exit 2; }
	@$(PYTHON) -c 'import sys; sys.exit(sys.version_info < (3, 11))' || { echo "Python 3.11 or newer is needed; this is $$($(PYTHON) --version)."; exit 2; }
	$(PYTHON) -m venv $(VENV)

$(VENV)/.ready: requirements.txt pyproject.toml | $(VENV)/bin/python
	$(BIN)/pip install -q -r requirements.txt
	$(BIN)/pip install -q --no-deps -e .
	@touch $@

$(VENV)/.ready-dev: requirements-dev.txt $(VENV)/.ready
	$(BIN)/pip install -q -r requirements-dev.txt
	@touch $@

setup: $(VENV)/.ready
setup-dev: $(VENV)/.ready-dev

browser:
	@bash builders/browser.sh required

demo: setup
	@bash builders/browser.sh optional
	@$(BIN)/bothheads demo

lint: setup-dev
	$(BIN)/ruff check src tests bench builders

types: setup-dev
	$(BIN)/mypy

test: setup-dev browser lint types
	$(BIN)/pytest -n 2 --dist loadfile -q

wheel: setup-dev
	$(BIN)/python -m build --wheel --no-isolation -o dist .

recordings: setup
	$(BIN)/python builders/recordings.py

tables: setup
	$(BIN)/python builders/radiation.py

clean:
	rm -rf dist build out
