# Everything happens in .venv; nothing outside this folder is touched. On Windows use the plain pip lines of README.md.
PYTHON ?= python3
VENV := .venv
BIN := $(VENV)/bin

.PHONY: demo test packages lint unit pins clean

demo: $(VENV)/base
	$(BIN)/makebreak test

test: packages lint unit

# What the tests need from Debian, installed only if it is missing.
packages:
	.ci/packages

lint: $(VENV)/dev
	$(BIN)/ruff check .
	$(BIN)/ruff format --check .
	$(BIN)/mypy

# Side by side on all cores; the tests of one file stay together, since they share what takes long to set up.
unit: $(VENV)/dev
	$(BIN)/python -m pytest -n auto --dist loadfile --no-loadscope-reorder

$(VENV)/base: constraints/base.txt pyproject.toml | $(VENV)/made
	$(BIN)/python -m pip install --quiet --require-hashes -r constraints/base.txt
	$(BIN)/python -m pip install --quiet --no-deps --no-build-isolation --editable .
	touch $@

$(VENV)/dev: constraints/dev.txt $(VENV)/base
	$(BIN)/python -m pip install --quiet --require-hashes -r constraints/dev.txt
	touch $@

$(VENV)/made:
	$(PYTHON) -m venv $(VENV)
	touch $@

# Both files of pins anew, for every platform at once, from what pyproject.toml allows. They hold hashes and no addresses.
pins: | $(VENV)/made
	$(BIN)/python -m pip install --quiet uv
	$(BIN)/python constraints/pin.py

clean:
	$(MAKE) -C firmware clean
	rm -rf $(VENV) .mypy_cache .ruff_cache .pytest_cache .hypothesis dist
