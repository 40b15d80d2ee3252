# make demo    reads the packaged capture against the packaged site; needs python3 (3.11 or later) with venv
# make test    checks everything; as root it also installs the live tests' peers

PYTHON ?= python3
VENV ?= .venv
BIN := $(VENV)/bin
EXAMPLE := src/toprung/examples/fernhouse
OUT ?= fernhouse-out
CAPTURES := $(foreach m,base brain desk,$(m)=$(EXAMPLE)/$(m).pcap.gz)
PEERS := iproute2 nftables tcpdump g++ libfastrtps-dev fastdds-tools chromium
PLAIN := build/plain
KERNELS := $(wildcard src/toprung/*/_*.py src/toprung/*/_*.pxd) setup.py

.PHONY: demo test peers lint readme pictures clean

demo: $(VENV)/.demo
	@mkdir -p $(OUT)
	@$(BIN)/toprung forecast --short $(EXAMPLE)/site.yaml; status=$$?; [ $$status -le 1 ] || exit $$status
	@echo; echo "And what was captured there:"; echo
	@$(BIN)/toprung read $(EXAMPLE)/site.yaml \
	  $(CAPTURES); status=$$?; [ $$status -le 1 ] || exit $$status
	@$(BIN)/toprung report $(EXAMPLE)/site.yaml $(CAPTURES) -o $(OUT)/fernhouse.html >/dev/null; \
	status=$$?; [ $$status -le 1 ] || exit $$status; \
	echo; echo "The same, with the forecast beside it, as a document: $(CURDIR)/$(OUT)/fernhouse.html"

test: $(VENV)/.test peers
	$(BIN)/python -m pytest -q -n 2 --dist loadfile
	@echo "--- once more without the compiled kernels"
	rm -rf $(PLAIN) && mkdir -p $(PLAIN) && cp -R src/toprung $(PLAIN)/ && find $(PLAIN) -name '*.so' -delete
	PYTHONPATH=$(PLAIN) $(BIN)/python -m pytest -q -n 2 --dist loadfile -p no:cacheprovider tests/wire tests/observe tests/cli
	$(MAKE) lint

lint: $(VENV)/.test
	$(BIN)/ruff check
	$(BIN)/ruff format --check
	$(BIN)/mypy
	$(BIN)/lint-imports

# the middleware peers, tcpdump and namespaces of the live tests; without root, those tests are skipped
peers:
	@if [ "$$(id -u)" != 0 ] || ! command -v apt-get >/dev/null; then \
	  echo "make: not root, or no apt-get: tests that need $(PEERS) may be skipped"; \
	elif ! dpkg -s $(PEERS) >/dev/null 2>&1; then \
	  apt-get update -qq && DEBIAN_FRONTEND=noninteractive apt-get install -y -qq --no-install-recommends $(PEERS) >/dev/null \
	  || echo "make: some of $(PEERS) could not be installed: tests that need them are skipped"; \
	fi

$(BIN)/python:
	$(PYTHON) -m venv $(VENV)

$(VENV)/.demo: requirements/demo.txt pyproject.toml $(KERNELS) | $(BIN)/python
	$(BIN)/python -m pip install -q --disable-pip-version-check -r requirements/demo.txt
	$(BIN)/python -m pip install -q --disable-pip-version-check --no-deps --no-build-isolation -e .
	@touch $@

$(VENV)/.test: requirements/test.txt $(VENV)/.demo
	$(BIN)/python -m pip install -q --disable-pip-version-check -r requirements/test.txt
	@touch $@

# the README's transcript, as the packaged example prints now
readme: $(VENV)/.demo
	$(BIN)/python docs/transcript.py

# every view of the page, as docs/page.md shows it
pictures: $(VENV)/.test peers
	mkdir -p docs/page
	TOPRUNG_PICTURES=docs/page $(BIN)/python -m pytest -q tests/web/test_browser.py

clean:
	rm -rf build $(OUT) src/*.egg-info && find src -name '*.so' -delete
