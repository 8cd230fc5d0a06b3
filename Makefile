# Every target does its own set-up: a virtual environment in the tree, and what it needs inside.
PYTHON ?= python3
VENV   := .venv
BIN    := $(VENV)/bin
STAMP  := $(VENV)/.installed-for-use
TESTED := $(VENV)/.installed-for-tests

.PHONY: demo test test-kernel check bench pictures help clean
.DEFAULT_GOAL := help

help:  ## say what there is to do
	@grep -hE '^[a-z-]+: .*##|^[a-z-]+:  ##' $(MAKEFILE_LIST) | sed -E 's/^([a-z-]+):.*## /  make \1\t/' | expand -t 22

demo: $(STAMP)  ## run the whole job on a simulated bank, no hardware needed
	$(BIN)/bankbook demo

test: $(TESTED)  ## run the whole test suite, on every core
	$(BIN)/python -m pytest -n auto --maxprocesses 4 --dist loadfile

check: $(TESTED)  ## lint, types and tests: the gate
	$(BIN)/ruff check .
	$(BIN)/ruff format --check .
	$(BIN)/mypy
	$(BIN)/python -m pytest -n auto --maxprocesses 4 --dist loadfile

bench: $(TESTED)  ## measure what things cost, beside the plain way of doing them
	@for bench in tests/benchmarks/bench_*.py; do \
	  echo; echo "== $$bench"; nice $(BIN)/python $$bench || exit 1; done

test-kernel: $(TESTED)  ## SocketCAN, power cuts and systemd on an emulated kernel (root, Debian, minutes)
	bash tests/kernel/build.sh
	$(BIN)/python tests/kernel/bus.py
	bash tests/kernel/init_root.sh
	$(BIN)/python tests/kernel/power_cut.py
	$(BIN)/python tests/kernel/service.py

pictures: $(TESTED)  ## remake the README's pictures from the demo (needs chromium)
	sample_data/pictures/make.sh

clean:  ## remove the virtual environment and the demo's folder
	rm -rf $(VENV) bankbook-demo

$(VENV)/bin/python:
	@$(PYTHON) -c 'import sys; sys.exit(sys.version_info < (3, 11))' || \
	  { echo "bankbook needs Python 3.11 or newer; make PYTHON=/path/to/python3.11 $(MAKECMDGOALS)" >&2; exit 1; }
	$(PYTHON) -m venv $(VENV)

$(STAMP): pyproject.toml | $(VENV)/bin/python
	$(BIN)/python -m pip install --quiet --disable-pip-version-check -e .
	@touch $@

$(TESTED): pyproject.toml | $(VENV)/bin/python
	$(BIN)/python -m pip install --quiet --disable-pip-version-check -e '.[test]'
	@touch $@ $(STAMP)
