# One recipe each: setup, demo, run, test, check. Works on Linux and macOS; README has the plain lines.
PYTHON ?= python3
VENV   ?= .venv
PY     := $(VENV)/bin/python

.PHONY: setup setup-dev demo run test faults load check clean screenshot

$(VENV)/.runtime: requirements.txt
	$(PYTHON) -c 'import sys; sys.exit(sys.version_info < (3, 11) and "Python 3.11 or newer is needed")'
	test -x $(PY) || $(PYTHON) -m venv $(VENV)
	$(PY) -m pip install --quiet --disable-pip-version-check -r requirements.txt
	touch $@

$(VENV)/.dev: requirements.txt requirements-dev.txt $(VENV)/.runtime
	$(PY) -m pip install --quiet --disable-pip-version-check -r requirements-dev.txt
	touch $@

setup: $(VENV)/.runtime
setup-dev: $(VENV)/.dev

# Loads two invented workshops, takes one more machine in, serves the site.
demo: setup
	$(PY) manage.py demo

run: setup
	$(PY) manage.py migrate --verbosity 0
	$(PY) manage.py serve

test: setup-dev
	$(PY) tests/run.py

# Races and faults at the full counts of the reliability plan, on every engine that answers.
faults: setup-dev
	RACES=full $(PY) tests/run.py -n 0 tests/integration/races tests/integration/faults

# The service under mixed use on loopback, scaled out and embedded (docs/scaling.md); LOAD="--parts 20000".
load: setup-dev
	$(PY) -m tests.load $(LOAD)
	$(PY) -m tests.load --embedded --parts 20000 --rate 5 $(LOAD)

check: setup-dev
	$(VENV)/bin/ruff format --check .
	$(VENV)/bin/ruff check .
	$(VENV)/bin/mypy .
	$(VENV)/bin/lint-imports
	$(PY) manage.py makemigrations --check --dry-run --settings config.settings.test

clean:
	rm -rf $(VENV) var .mypy_cache .ruff_cache .pytest_cache .hypothesis
