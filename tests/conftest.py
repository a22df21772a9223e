"""What every test relies on: no display, fixed random numbers, and pictures of why something was skipped."""

from __future__ import annotations

import os
import shutil
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from hypothesis import settings

# The first call of a compiled function takes seconds where nothing is cached yet; the examples stay the same.
settings.register_profile("phenofit", deadline=None, derandomize=True)
settings.load_profile("phenofit")

# Before anything draws: figures must be made without a display.
os.environ.setdefault("MPLBACKEND", "Agg")

ROOT = Path(__file__).resolve().parents[1]


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_make_scheduler(config: pytest.Config, log: Any) -> Any:
    """Give all tests of a file to one process, so that what they share is made once (pytest-xdist asks)."""
    if config.getoption("dist") != "load":  # another way was asked for
        return None
    from xdist.scheduler import LoadFileScheduling  # type: ignore[import-untyped]

    class ByFile(LoadFileScheduling):  # type: ignore[misc]  # xdist has no types
        def _split_scope(self, nodeid: str) -> str:
            # The files on the report share a study that takes long to run and draw.
            return "tests/report" if nodeid.startswith("tests/report/") else nodeid.split("::", 1)[0]

    return ByFile(config, log)


@pytest.fixture(autouse=True)
def no_figure_stays_open() -> Iterator[None]:
    """Close what a test drew through pyplot, which warns of more than 20 open figures."""
    yield
    if "matplotlib.pyplot" in sys.modules:
        sys.modules["matplotlib.pyplot"].close("all")


@pytest.fixture(scope="session")
def root() -> Path:
    """Folder of the checkout."""
    return ROOT


@pytest.fixture(scope="session")
def chromium() -> str:
    """Name of a headless-capable Chromium; tests that need one skip, saying so, where there is none."""
    # Windows has no descriptors 3 and 4, through which the tests talk to the browser.
    names = ("chromium", "chromium-browser", "google-chrome", "chrome") if os.name == "posix" else ()
    for name in names:
        found = shutil.which(name)
        if found:
            return found
    pytest.skip("no Chromium on this machine: the page is not looked at in a browser here")
