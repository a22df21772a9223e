"""The loopback station service, and the real client started against it."""

from __future__ import annotations

import sys
from collections.abc import Iterator

import pytest

from tests.weather.service import Service


def _forget_client() -> None:
    for name in [m for m in sys.modules if m == "meteostat" or m.startswith("meteostat.")]:
        del sys.modules[name]


@pytest.fixture(scope="session")
def _running_service() -> Iterator[Service]:
    # The client reads its addresses when it is imported: it is imported anew with ours, and forgotten after.
    server = Service()
    with pytest.MonkeyPatch.context() as patch:
        for name, value in server.environment().items():
            patch.setenv(name, value)
        _forget_client()
        yield server
        _forget_client()
    server.stop()


@pytest.fixture
def service(_running_service: Service) -> Service:
    """The loopback station service, with nothing counted yet."""
    _running_service.reset()
    return _running_service
