# `make demo` and `make test` need nothing but Python 3.11+ with venv, and git.
# The rest of what they need is installed into .venv on the first call.

PYTHON ?= python3
# one thread for linear algebra: tests and scans run in processes of their own
export OMP_NUM_THREADS := 1
export OPENBLAS_NUM_THREADS := 1
unexport PYTHONDONTWRITEBYTECODE  # hundreds of processes start: modules are compiled once
BIN := .venv/bin
READY := .venv/.ready
TOOLS := .venv/.tools
STUDIES := sample_study/validation sample_study/comparison sample_study/drift

.PHONY: demo test check lint stale test-slow bench sample reports docs site libraries clean
.DEFAULT_GOAL := demo

demo: $(READY) libraries   ## three PDFs from the sample studies
	$(BIN)/accstudy run $(STUDIES) || [ $$? -eq 5 ]  # 5: done, and a device of the drift study needs action

test: $(TOOLS) libraries   ## every test that is quick enough to run always
	$(BIN)/python -m pytest -n auto --dist loadgroup

check:                     ## all that CI runs; what takes one core only, two at a time
	$(MAKE) --jobs 2 --output-sync=target demo lint wheel-test $(OLDEST)/.ready
	$(MAKE) test  # the site is built by a test
	$(MAKE) --jobs 2 --output-sync=target processors-few stale oldest

stale: $(TOOLS) demo       ## are the example reports those that the samples give now?
	$(BIN)/python tests/stale_reports.py

lint: $(TOOLS)
	$(BIN)/ruff check .
	$(BIN)/ruff format --check .
	$(BIN)/mypy
	$(BIN)/lint-imports --no-cache

test-slow: $(TOOLS) libraries   ## the long simulations, too
	$(BIN)/python -m pytest -n auto -m "slow or not slow"

bench: $(TOOLS) libraries  ## speed and accuracy figures, printed
	for script in tests/benchmarks/bench_*.py; do $(BIN)/python $$script || exit 1; done

sample: $(READY) libraries ## write sample_study/ anew, byte for byte
	$(BIN)/accstudy simulate --samples sample_study

reports: $(TOOLS) demo     ## copy the example PDFs into reports/
	for s in validation comparison drift; do cp sample_study/$$s/reports/$$s.pdf reports/; done
	$(BIN)/python -c "import pypdfium2 as p; \
	  p.PdfDocument('reports/validation.pdf')[0].render(scale=1.4).to_pil().save('reports/validation_page1.png')"

desk-pictures: $(TOOLS)    ## make the pictures of docs/how-to/desk anew, in Chromium
	ACCSTUDY_DESK_PICTURES=docs/how-to/desk $(BIN)/python -m pytest tests/desk -q -m "slow or not slow"

docs: $(TOOLS)             ## write the pages of docs/reference anew from the code
	$(BIN)/python docs/generate.py

site: $(TOOLS)             ## docs/ as a site in build/site, links checked, nothing fetched
	$(BIN)/python -m sphinx --quiet --fail-on-warning --keep-going --fresh-env \
	  --conf-dir docs/website --doctree-dir build/doctrees docs build/site

# The wheel, alone in an environment: what users get. uv is quick and resolves lowest versions.
EMPTY := build/empty
OLDEST := build/oldest

dist: $(TOOLS)             ## the wheel and the source archive, checked
	rm -rf build/dist && mkdir -p build
	$(BIN)/python -m build --no-isolation --outdir build/dist . >build/dist.log 2>&1 || { cat build/dist.log; exit 1; }
	$(BIN)/twine check --strict build/dist/*
	$(BIN)/check-wheel-contents build/dist/*.whl

wheel-test: dist           ## the wheel in an empty environment passes its selftest from another folder
	$(BIN)/uv venv --quiet --clear --python $(BIN)/python $(EMPTY)
	$(BIN)/uv pip install --quiet --python $(EMPTY)/bin/python build/dist/*.whl
	rm -rf build/elsewhere && mkdir build/elsewhere
	cd build/elsewhere && ../empty/bin/accstudy selftest --quiet . && ls selftest.pdf selftest.json

sbom: wheel-test           ## build/sbom.json: what the wheel brings with it, as CycloneDX
	$(BIN)/uv tool run --from 'cyclonedx-bom>=7' cyclonedx-py environment --pyproject pyproject.toml \
	  --output-reproducible --output-format JSON --output-file build/sbom.json $(EMPTY)/bin/python

licences: wheel-test       ## build/licences.md: of everything that the wheel brings with it
	$(BIN)/uv tool run --from 'pip-licenses>=5' pip-licenses --python $(EMPTY)/bin/python \
	  --from=mixed --order=license --format=markdown --with-urls --output-file=build/licences.md

$(OLDEST)/.ready: pyproject.toml | $(TOOLS)
	$(BIN)/uv venv --quiet --clear --python $(BIN)/python $(OLDEST)
	$(BIN)/uv pip install --quiet --python $(OLDEST)/bin/python --resolution lowest-direct --editable '.[dev]'
	touch $@

# Old releases warn of what has become deprecated in newer ones that they load.
OLD_PYTEST := $(OLDEST)/bin/python -m pytest -W ignore::DeprecationWarning -W ignore::PendingDeprecationWarning

oldest: $(TOOLS) libraries $(OLDEST)/.ready   ## published numbers with the oldest supported libraries
	$(OLD_PYTEST) -n 0 tests/selftest  # one process: to start another takes as long as the tests

processors: $(TOOLS) libraries $(OLDEST)/.ready   ## the samples on three processors, and with old libraries
	$(BIN)/python tests/processors.py build/processors $(OLDEST)/bin/python

processors-few: $(TOOLS) libraries   ## the same with fewer scans and the libraries of today
	$(BIN)/python tests/processors.py build/processors --fewer

test-oldest: $(TOOLS) libraries $(OLDEST)/.ready   ## every test with the oldest supported libraries
	$(OLD_PYTEST) -n auto --dist loadgroup

VERSION ?= 3.13
test-python: $(TOOLS) libraries   ## every test with another Python: make test-python VERSION=3.13
	$(BIN)/uv venv --quiet --clear --python $(VERSION) build/python
	$(BIN)/uv pip install --quiet --python build/python/bin/python --editable '.[dev]'
	build/python/bin/python -m pytest -n auto --dist loadgroup

SECONDS ?= 120
fuzz: $(TOOLS) libraries   ## feed odd bytes to every reader, SECONDS for each; not part of CI
	$(BIN)/python -m pip install --quiet 'atheris>=2.3'
	$(BIN)/python tests/fuzz/fuzz_inputs.py all $(SECONDS) build/fuzz

hostile: $(TOOLS) libraries   ## files of 2 MB made to hang, crash or fill, each given to the command; not part of CI
	$(BIN)/python tests/benchmarks/hostile_files.py

ROOMS ?= accuracy compare plan reports
COUNT ?= 25
mutants: $(TOOLS) libraries   ## faults put into ROOMS, COUNT in each: do tests notice? Not part of CI
	$(BIN)/python -m pip install --quiet 'cosmic-ray>=8.7' 'coverage>=7'
	$(BIN)/python tests/mutants.py $(ROOMS) --count $(COUNT)

libraries: $(READY)
	@sh .ci/system-libraries $(BIN)/python

# uv is ten times as quick as pip, but knows nothing of pip's settings: where it fails, pip does it
install = $(BIN)/uv pip install --quiet --python $(BIN)/python $(1) || $(BIN)/python -m pip install --quiet $(1)

$(READY): pyproject.toml
	$(PYTHON) -m venv .venv
	$(BIN)/python -m pip install --quiet 'uv>=0.8'
	$(call install,--editable .)
	touch $(READY)

$(TOOLS): $(READY)         # what tests and documentation need on top of what users need
	$(call install,--editable '.[dev]')
	touch $(TOOLS)

clean:
	rm -rf .venv build dist .mypy_cache .ruff_cache .pytest_cache .hypothesis
	rm -rf sample_study/*/results sample_study/*/reports
