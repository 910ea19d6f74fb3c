# What a machine with Python 3.11 and make can do here. Everything is installed into .venv, from
# requirements.lock; it is made again only when the lock or pyproject.toml changes.
PYTHON ?= $(shell command -v python3.11 || command -v python3)
VENV := .venv
PY := $(VENV)/bin/python
UV := $(VENV)/bin/uv pip install --quiet --python $(PY)
STAMP := $(VENV)/.installed
VERSION = $(shell sed -n 's/^__version__ = "\(.*\)"/\1/p' src/lashwave/__init__.py)
# Processes that share the tests, a file at a time.
WORKERS ?= 2
BENCHES ?= convergence forward speed trials real_lines duration pictures dots tip pages

# One thread of BLAS: the systems solved here are small and banded, more threads are slower.
export OMP_NUM_THREADS ?= 1
export OPENBLAS_NUM_THREADS ?= 1
# One thread of kernels too: two of them on a busy machine wait for each other, up to 25 times as long.
export NUMBA_NUM_THREADS ?= 1

.PHONY: help demo test lint validate validation planted bench fuzz faults figures picture docs lock audit licences sbom release \
  clean

help:
	@echo "make demo      install, then reconstruct an example trial into out/demo.answers"
	@echo "make test      lint, type check and the quick tests"
	@echo "make validate  the long tests"
	@echo "make planted   plant errors in copies of the sources and count which the tests notice"
	@echo "make validation  the checks against published numbers, written into docs/validation.md"
	@echo "make bench     the benchmarks, each printing its figures"
	@echo "make fuzz      10,000 damaged inputs for every reader and every route of the server"
	@echo "make faults    kills, full disks, hostile requests against the real command"
	@echo "make figures   docs/figures.md and the README's table, from figures that were kept"
	@echo "make picture   the README's picture, from the answers of make demo"
	@echo "make docs      the documentation as pages, in docs/_build/html"
	@echo "make lock      renew requirements.lock, with a hash of every file that may be installed"
	@echo "make audit     say whether a flaw is known of any package used"
	@echo "make licences  docs/licences.md: the licence of every package used"
	@echo "make release   sources, wheel, bill of materials and their checksums, in dist"
	@echo "make clean     remove the environment and everything built"

# What the pages of the bench on screen are built from, by hatch_build.py.
WEB := hatch_build.py $(shell find web -name node_modules -prune -o -type f -print)

$(STAMP): pyproject.toml requirements.lock $(WEB)
	@test -n "$(PYTHON)" || { echo "No Python found; install Python 3.11."; exit 1; }
	@"$(PYTHON)" -c 'import sys; sys.exit(sys.version_info < (3, 11))' || \
	  { echo "Python 3.11 or newer is needed; name one: make PYTHON=/path/to/python3.11"; exit 1; }
	@test -x $(PY) || "$(PYTHON)" -m venv $(VENV)
	@test -x $(VENV)/bin/uv || $(PY) -m pip install --quiet --disable-pip-version-check uv
	$(UV) --require-hashes -r requirements.lock
	$(UV) --no-deps --refresh-package lashwave --reinstall-package lashwave --editable .
	-@$(PY) -m lashwave.workbench.prepare
	@touch $@

demo: $(STAMP)
	$(VENV)/bin/lashwave demo

lint: $(STAMP)
	$(PY) -m ruff check .
	$(PY) -m ruff format --check .
	$(PY) -m mypy

test: lint
	$(PY) -m pytest -n $(WORKERS) --dist loadfile

validate: $(STAMP)
	$(PY) -m pytest -m slow

planted: $(STAMP)
	$(UV) --constraint requirements.lock --editable '.[planted]'
	$(PY) benchmarks/planted.py $(PLANTED)

validation: $(STAMP)
	$(PY) -m pytest --write-validation
	$(PY) -m pytest tests/published/test_page.py

bench: $(STAMP)
	$(UV) --constraint requirements.lock --editable '.[bench]'
	@for name in $(BENCHES); do echo "== $$name"; \
	  PYTHONPATH=.:benchmarks $(PY) benchmarks/$$name.py || exit 1; done

# What may go wrong: counted, and zero is asked for.
fuzz: $(STAMP)
	PYTHONPATH=. $(PY) benchmarks/fuzz.py $(FUZZ)

faults: $(STAMP)
	PYTHONPATH=. $(PY) benchmarks/faults.py $(FAULTS)

# docs/figures.md and the README's table, from what the benchmarks kept.
figures: $(STAMP)
	$(PY) benchmarks/figures.py

# docs/demo.png, from out/demo.answers.
picture: $(STAMP)
	$(PY) docs/write_picture.py

docs: $(STAMP)
	$(PY) -m sphinx -W --keep-going -q -b html docs docs/_build/html
	@echo "docs/_build/html/index.html"

lock:
	$(VENV)/bin/uv pip compile pyproject.toml --extra test --extra docs --python-version 3.11 \
	  --universal --upgrade --generate-hashes --no-emit-index-url --no-header --no-annotate \
	  -o requirements.lock

# What the program rests on: flaws known, licences, a bill of materials of what a user installs.
audit: $(STAMP)
	@$(PY) release/audit.py

licences: $(STAMP)
	$(PY) release/licences.py

sbom: $(STAMP)
	$(VENV)/bin/uv venv --quiet --clear build/user
	$(VENV)/bin/uv pip install --quiet --python build/user --constraint requirements.lock .
	@mkdir -p dist
	$(VENV)/bin/uv tool run --quiet --from cyclonedx-bom==7.5.0 cyclonedx-py environment --pyproject pyproject.toml \
	  --mc-type application --output-reproducible --of JSON -o dist/lashwave-$(VERSION).cdx.json build/user

release: sbom
	$(VENV)/bin/uv build --quiet --out-dir dist
	rm -f dist/.gitignore
	cd dist && sha256sum lashwave-$(VERSION)* > SHA256SUMS && cat SHA256SUMS

clean:
	rm -rf $(VENV) build dist src/lashwave/serving/pages web/node_modules docs/_build .mypy_cache .ruff_cache .pytest_cache .hypothesis
