# Two commands do all the set-up: `make demo` runs the main job, `make test` passes the tests.
PYTHON ?= python3
VENV := .venv
BIN := $(VENV)/bin

.PHONY: demo test lint style types rooms browser server bench mutants pictures clean

demo: $(VENV)/.installed
	$(BIN)/lotdrift demo demo-lab

# The quick looks at the text first, beside each other; then the tests in four processes, also on two cores: many of them
# wait for a browser, a server or a clock. What one file of tests shares is made once, as a file is never divided.
# Compiled tests are kept whatever the environment says: else each of the processes compiles all of them every time.
test: $(VENV)/.tested-with browser server
	$(MAKE) --no-print-directory --jobs=3 lint
	PYTHONDONTWRITEBYTECODE= $(BIN)/python -m pytest --numprocesses=4 --dist=loadfile --no-loadscope-reorder

lint: style types rooms

style: $(VENV)/.tested-with
	$(BIN)/ruff check .
	$(BIN)/ruff format --check .

types: $(VENV)/.tested-with
	$(BIN)/mypy

rooms: $(VENV)/.tested-with
	$(BIN)/lint-imports

# A browser that is there serves; else Debian's package is fetched.
browser:
	@command -v chromium || command -v chromium-browser || command -v google-chrome || command -v microsoft-edge \
	  || { echo "no browser found: installing Debian's chromium"; \
	       if [ "$$(id -u)" = 0 ]; then SUDO=; else SUDO=sudo; fi; \
	       $$SUDO apt-get update -qq && $$SUDO apt-get install -y -qq chromium; }

# A PostgreSQL that is there serves; else Debian's package is fetched, without making the system's own cluster.
server:
	@command -v postgres || ls /usr/lib/postgresql/*/bin/postgres 2>/dev/null \
	  || { echo "no PostgreSQL found: installing Debian's postgresql"; \
	       if [ "$$(id -u)" = 0 ]; then SUDO=; else SUDO=sudo; fi; \
	       $$SUDO apt-get update -qq && $$SUDO apt-get install -y -qq postgresql-common \
	       && echo 'create_main_cluster = false' | $$SUDO tee -a /etc/postgresql-common/createcluster.conf >/dev/null \
	       && $$SUDO apt-get install -y -qq postgresql; }

bench: $(VENV)/.tested-with server
	for file in tests/bench/bench_*.py; do PYTHONPATH=tests $(BIN)/python $$file; done

# One line changed at a time: which changes does no test notice? make mutants FILE=spc/verdicts.py COUNT=40 SEED=1
# Further: LINE=70 for one line; KEYWORD="not server" chooses among the tests as pytest -k does.
mutants: $(VENV)/.tested-with server
	PYTHONPATH=tests nice -n 10 $(BIN)/python -m mutants $(FILE) $(if $(COUNT),--count $(COUNT)) $(if $(SEED),--seed $(SEED)) $(if $(LINE),--line $(LINE)) $(if $(KEYWORD),--keyword "$(KEYWORD)")

pictures: $(VENV)/.tested-with browser
	PYTHONPATH=tests $(BIN)/python tests/support/pictures.py

$(BIN)/python:
	$(PYTHON) -m venv $(VENV)

# Installed afresh whenever what is asked for changes.
$(VENV)/.installed: pyproject.toml | $(BIN)/python
	$(BIN)/python -m pip install --quiet --editable .
	touch $@

$(VENV)/.tested-with: pyproject.toml requirements.lock | $(BIN)/python
	$(BIN)/python -m pip install --quiet --constraint requirements.lock --editable ".[dev]"
	touch $@ $(VENV)/.installed

clean:
	rm -rf $(VENV) demo-lab .mutants
