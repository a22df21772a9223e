"""Large packages that are imported when first used, so that a heat sum does not wait for pandas and xarray."""

from __future__ import annotations

import importlib
import sys
from types import ModuleType
from typing import Any


class _Deferred(ModuleType):
    """A stand-in for a package, which is imported when one of its names is first used."""

    def __getattr__(self, name: str) -> Any:
        return getattr(importlib.import_module(self.__name__), name)


def deferred(package: str) -> Any:
    """Return a package, to be imported when something of it is first used."""
    return _Deferred(package)


def is_kind(value: object, package: str, *classes: str) -> bool:
    """Return whether a value is of one of the classes of a package, without importing the package.

    A value of a class exists only where its package has been imported.
    """
    module = sys.modules.get(package)
    return module is not None and isinstance(value, tuple(getattr(module, name, ()) for name in classes))
