# What a newcomer types: `make demo`, `make test`. Everything lands in .venv and build/.
PYTHON ?= python3
BIN := .venv/bin
export STICK_LEVEL ?= 19 # of the compression; 3 is quick and a tenth larger

.PHONY: demo test-unit-all test test-independent test-captured test-spoil test-acceptance stick test-stick test-fat test-unit bench lint types lock readme clean test-cooling

.venv/.run: requirements.lock pyproject.toml
	test -x $(BIN)/python || $(PYTHON) -m venv .venv # never over one that another python made
	$(BIN)/pip install --quiet --disable-pip-version-check --require-hashes -r requirements.lock
	$(BIN)/pip install --quiet --disable-pip-version-check --no-deps --no-build-isolation --editable .
	touch $@

.venv/.dev: requirements-dev.lock .venv/.run
	$(BIN)/pip install --quiet --disable-pip-version-check --require-hashes -r requirements-dev.lock
	touch $@

lock: # needs uv; run it after changing the dependencies in pyproject.toml
	uv pip compile --quiet --generate-hashes --universal --python-version 3.11 --no-emit-package benchproof \
	  --no-header --extra build pyproject.toml -o requirements.lock
	uv pip compile --quiet --generate-hashes --universal --python-version 3.11 --no-emit-package benchproof \
	  --no-header --extra build --extra dev pyproject.toml -o requirements-dev.lock

demo: .venv/.run ## an invented repair from order to audit
	$(BIN)/benchproof demo --out build/demo

test: .venv/.dev ## the default suites, under 5 minutes
	$(BIN)/pytest -n 2 --dist loadgroup

test-independent: .venv/.dev ## other people's verifiers accept our report (npm)
	$(BIN)/pytest -m heavy tests/independent

test-captured: .venv/.dev ## readers on computers that others captured (apt)
	$(BIN)/pytest -m heavy tests/captured

test-acceptance: .venv/.dev ## a thousand good units: how many are held, and by what
	$(BIN)/pytest -m heavy -s tests/journeys

test-spoil: .venv/.dev ## runs that are killed, cut, filled and unplugged at every moment
	$(BIN)/pytest -m heavy -n 2 tests/agent/test_spoil.py

stick: .venv/.run ## the image of a stick: build/stick/benchproof.img
	$(BIN)/python -m agent.image --level $(STICK_LEVEL)

test-stick: .venv/.dev ## the image boots on UEFI, Secure Boot and BIOS, and touches no disk
	$(BIN)/pytest -m heavy tests/agent/image

test-fat: .venv/.dev ## reports on a real FAT, cut off, full, locked and pulled, under the stick's own kernel
	$(BIN)/pytest -m heavy tests/stick/test_fat.py

test-unit: MARKS = heavy and not long
test-unit: test-unit-all ## virtual units that boot, each fault in turn (QEMU); prints what came of each

MARKS = heavy
test-unit-all: .venv/.dev ## the same with the runs that heat and every other start: hours
	rm -rf build/unit/results
	$(BIN)/python -m tests.unit.image
	$(BIN)/pytest -n 3 --dist loadgroup --no-loadscope-reorder -m '$(MARKS)' tests/unit; status=$$?; \
	  $(BIN)/python -m tests.unit.table; exit $$status

test-cooling: .venv/.dev ## how often the cooling check is wrong, over 500 units
	$(BIN)/pytest -m heavy -n 2 -rP tests/checks/test_cooling_statistics.py

bench: .venv/.dev ## what the program costs, beside a reference measured in the same run
	$(BIN)/python -m tests.benchmarks

lint: .venv/.dev
	$(BIN)/ruff check .
	$(BIN)/ruff format --check .

types: .venv/.dev
	$(BIN)/mypy

readme: .venv/.dev ## renew the tables and outputs that the README takes from the program
	$(BIN)/python -m tests.support.readme

clean:
	rm -rf .venv build .mypy_cache .ruff_cache .pytest_cache .hypothesis
