# `make demo` tests a unit of the main job on a simulated bench; `make test` runs every test. Both set up the environment.
PYTHON ?= python3
VENV := .venv
BIN := $(VENV)/bin
# More tests than processors at once: many wait for the clock of a simulated bench.
WORKERS ?= 4
JOB ?= sequences/two_loop_switcher
SERIAL ?= OB-0001
# Of the simulated bench's clock in the demo, times real time.
SPEED ?= 5

# Compiled modules make every start faster.
unexport PYTHONDONTWRITEBYTECODE

.PHONY: help demo test check bench lock pictures clean

help:
	@echo "make demo      test a simulated two-loop switcher and print where the report is"
	@echo "make test      run the tests (installs ngspice, chromium, socat and postgresql if it has the rights)"
	@echo "make check     ruff, mypy --strict"
	@echo "make bench     run the benchmarks and print the ratios"
	@echo "make lock      pin and hash the requirements again"
	@echo "make pictures  take the pictures of the documents again, from simulated runs"

$(VENV)/run.stamp: requirements.txt pyproject.toml
	$(PYTHON) -m venv $(VENV)
	$(BIN)/python -m pip install --quiet --disable-pip-version-check --no-compile --require-hashes -r requirements.txt
	$(BIN)/python -m pip install --quiet --disable-pip-version-check --no-deps -e .
	@touch $@

# Not compiled here: the tests use only some of the thousands of files that they need, and compile those when used.
$(VENV)/dev.stamp: requirements-dev.txt $(VENV)/run.stamp
	$(BIN)/python -m pip install --quiet --disable-pip-version-check --no-compile --require-hashes -r requirements-dev.txt
	@touch $@

demo: $(VENV)/run.stamp
	$(BIN)/switchwalk run $(JOB) --serial $(SERIAL) --simulate --speed $(SPEED) --again demonstration

test: $(VENV)/dev.stamp
	@sh tests/system-packages.sh
	$(BIN)/python -m pytest -n $(WORKERS)

check: $(VENV)/dev.stamp
	$(BIN)/ruff check .
	$(BIN)/ruff format --check .
	$(BIN)/mypy

bench: $(VENV)/dev.stamp
	@for script in benchmarks/*.py; do echo "== $$script"; $(BIN)/python $$script || exit 1; done

lock:
	$(BIN)/python -m pip install --quiet uv
	$(BIN)/uv pip compile pyproject.toml --universal --python-version 3.11 --generate-hashes \
		--no-emit-index-url --no-header --upgrade -q -o requirements.txt
	$(BIN)/uv pip compile pyproject.toml --extra dev --extra gpio --extra cluster --universal --python-version 3.11 --generate-hashes \
		--no-emit-index-url --no-header -q -c requirements.txt -o requirements-dev.txt

pictures: $(VENV)/dev.stamp
	$(BIN)/python docs/pictures/take.py

clean:
	rm -rf $(VENV) build dist *.egg-info .mypy_cache .ruff_cache .pytest_cache .hypothesis
