# `make demo` and `make test` need nothing but Python 3.11+ with venv, and git.
# The rest of what they need is installed into .venv on the first call.

PYTHON ?= python3
# one thread for linear algebra: tests and scans run in processes of their own
export OMP_NUM_THREADS := 1
export OPENBLAS_NUM_THREADS := 1
BIN := .venv/bin
READY := .venv/.ready
STUDIES := sample_study/validation sample_study/comparison sample_study/drift

.PHONY: demo test check lint stale test-slow bench sample reports docs site libraries clean
.DEFAULT_GOAL := demo

demo: $(READY) libraries   ## three PDFs from the sample studies
	$(BIN)/accstudy run $(STUDIES)

test: $(READY) libraries   ## every test that is quick enough to run always
	$(BIN)/python -m pytest -n auto

check: lint test site stale ## all that CI runs

stale: demo                ## are the example reports those that the samples give now?
	$(BIN)/python tests/stale_reports.py

lint: $(READY)
	$(BIN)/ruff check .
	$(BIN)/ruff format --check .
	$(BIN)/mypy
	$(BIN)/lint-imports --no-cache

test-slow: $(READY) libraries   ## the long simulations, too
	$(BIN)/python -m pytest -n auto -m "slow or not slow"

bench: $(READY) libraries  ## speed and accuracy figures, printed
	for script in tests/benchmarks/bench_*.py; do $(BIN)/python $$script || exit 1; done

sample: $(READY) libraries ## write sample_study/ anew, byte for byte
	$(BIN)/accstudy simulate --samples sample_study

reports: demo              ## copy the example PDFs into reports/
	for s in validation comparison drift; do cp sample_study/$$s/reports/$$s.pdf reports/; done
	$(BIN)/python -c "import pypdfium2 as p; \
	  p.PdfDocument('reports/validation.pdf')[0].render(scale=1.4).to_pil().save('reports/validation_page1.png')"

docs: $(READY)             ## write the pages of docs/reference anew from the code
	$(BIN)/python docs/generate.py

site: $(READY)             ## docs/ as a site in build/site, links checked, nothing fetched
	$(BIN)/python -m sphinx --quiet --fail-on-warning --keep-going --fresh-env \
	  --conf-dir docs/website --doctree-dir build/doctrees docs build/site

libraries: $(READY)
	@sh .ci/system-libraries $(BIN)/python

$(READY): pyproject.toml
	$(PYTHON) -m venv .venv
	$(BIN)/python -m pip install --quiet --upgrade pip
	$(BIN)/python -m pip install --quiet --editable '.[dev]'
	touch $(READY)

clean:
	rm -rf .venv build dist .mypy_cache .ruff_cache .pytest_cache .hypothesis
	rm -rf sample_study/*/results sample_study/*/reports
