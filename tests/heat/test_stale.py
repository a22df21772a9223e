"""Machine code on disk follows the sources of the kernels that were compiled into it."""

from __future__ import annotations

import ast
import importlib
import json
import os
import re
import subprocess
import sys
import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

import phenofit
from phenofit.errors import PhenofitWarning
from phenofit.heat import stale
from phenofit.heat.stale import STAMPS, drop_stale_code, kernel_sources

PACKAGE = Path(phenofit.__file__).parent
KERNEL_FILES = sorted(kernel_sources(PACKAGE))

CALLED = "from numba import njit\n\n\n@njit(cache=True)\ndef inner(x):\n    return x + {add}\n"
CALLER = (
    "from numba import njit\n\nfrom toy.room.called import inner\n\n\n"
    "@njit(cache=True)\ndef outer(x):\n    return 10.0 * inner(x)\n"
)
APART = "from numba import njit\n\n\n@njit(cache=True)\ndef alone(x):\n    return x\n"


@pytest.fixture
def toy(tmp_path: Path) -> Path:
    """A package of three files with kernels; one of them calls another."""
    package = tmp_path / "toy"
    (package / "room").mkdir(parents=True)
    texts = {"__init__": "", "room/__init__": "", "room/called": CALLED.format(add=1)}
    for name, text in (texts | {"room/caller": CALLER, "room/apart": APART, "plain": "A = 1\n"}).items():
        (package / f"{name}.py").write_text(text, encoding="utf-8")
    return package


def _run(package: Path, *, guarded: bool, **environment: str) -> list[float]:
    # The guard alone, without the rest of its room: these processes are many.
    guard = f"drop = runpy.run_path({stale.__file__!r})['drop_stale_code']; drop(Path('toy').absolute())\n"
    code = (
        f"import runpy\nfrom pathlib import Path\n{guard if guarded else ''}"
        "from toy.room.apart import alone\nfrom toy.room.caller import outer\n"
        "print(outer(1.0) + 0.0 * alone(1.0), len(alone.stats.cache_hits), len(outer.stats.cache_hits))"
    )
    done = subprocess.run(
        [sys.executable, "-c", code],
        cwd=package.parent,
        env={**os.environ, "PYTHONPATH": os.pathsep.join([str(package.parent), str(PACKAGE.parent)]), **environment},
        capture_output=True,
        text=True,
        check=True,
    )  # fmt: skip
    return [float(word) for word in done.stdout.split()]


def test_a_changed_callee_is_seen_by_its_callers_and_by_nobody_else(toy: Path) -> None:
    assert _run(toy, guarded=True) == [20.0, 0, 0]
    assert _run(toy, guarded=True) == [20.0, 1, 1]  # nothing changed: both from disk
    (toy / "room" / "called.py").write_text(CALLED.format(add=2), encoding="utf-8")
    # What the guard is for: on its own the compiler takes the old code of the caller. Should this ever fail, the
    # compiler has learnt to look, and the guard can go.
    assert _run(toy, guarded=False) == [20.0, 1, 1]
    # The caller is compiled anew; the file that has nothing to do with it is not.
    assert _run(toy, guarded=True) == [30.0, 1, 0]


@pytest.mark.slow
def test_a_cache_folder_of_the_user_is_looked_after_too(toy: Path, tmp_path: Path) -> None:
    mine = {"NUMBA_CACHE_DIR": str(tmp_path / "mine")}
    assert _run(toy, guarded=True, **mine)[0] == 20.0
    (toy / "room" / "called.py").write_text(CALLED.format(add=3), encoding="utf-8")
    assert _run(toy, guarded=True, **mine)[0] == 40.0
    assert list((tmp_path / "mine").rglob(STAMPS))
    assert not list(toy.rglob("*.nbi"))


def test_only_code_of_kernels_is_touched(toy: Path) -> None:
    drop_stale_code(toy)
    cache = toy / "room" / "__pycache__"
    stranger, lookalike = cache / "other.f-3.py311.1.nbc", cache / "caller_two.f-3.py311.nbi"
    mine = cache / "caller.outer-7.py311.nbi"
    for path in (stranger, lookalike, mine):
        path.write_bytes(b"x")
    assert drop_stale_code(toy) == 0
    (toy / "room" / "called.py").write_text(CALLED.format(add=4), encoding="utf-8")
    assert drop_stale_code(toy) == 1
    assert not mine.exists()
    assert stranger.exists()
    assert lookalike.exists()
    # Stamps that cannot be read count as none.
    mine.write_bytes(b"x")
    (cache / STAMPS).write_text('{"caller": ', encoding="utf-8")
    assert drop_stale_code(toy) == 1
    assert set(json.loads((cache / STAMPS).read_text("utf-8"))) == {"called", "caller", "apart"}


def test_code_that_cannot_be_removed_is_told_each_time(toy: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    drop_stale_code(toy)
    (toy / "room" / "__pycache__" / "caller.outer-7.py311.nbi").write_bytes(b"x")
    (toy / "room" / "called.py").write_text(CALLED.format(add=5), encoding="utf-8")

    def refuse(self: Path, missing_ok: bool = False) -> None:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(Path, "unlink", refuse)
    for _ in range(2):
        with pytest.warns(PhenofitWarning, match=r"caller\.outer.*out of date and cannot be removed"):
            drop_stale_code(toy)


def test_a_folder_that_takes_no_stamps_is_no_fault(toy: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(*args: Any, **kwargs: Any) -> tuple[int, str]:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(tempfile, "mkstemp", refuse)
    assert drop_stale_code(toy) == 0
    assert not list(toy.rglob(STAMPS))


def test_the_kernels_of_the_package_are_all_known() -> None:
    found = {path for path in PACKAGE.rglob("*.py") if _kernels(path)}
    assert found
    assert found <= set(KERNEL_FILES)


def _kernels(path: Path) -> dict[str, Callable[..., Any]]:
    """Return the compiled functions that a file defines."""
    if not re.search(r"\b(njit|compiled)\b", path.read_text("utf-8")):
        return {}
    module = importlib.import_module(".".join(("phenofit", *path.relative_to(PACKAGE).with_suffix("").parts)))
    return {
        name: value.py_func
        for name, value in vars(module).items()
        if hasattr(value, "py_func") and value.py_func.__module__ == module.__name__
    }


@pytest.mark.parametrize("path", KERNEL_FILES, ids=lambda p: str(p.relative_to(PACKAGE)))
def test_all_that_a_kernel_takes_from_other_files_is_under_its_stamp(path: Path) -> None:
    origin = {
        alias.asname or alias.name: PACKAGE.joinpath(*(node.module or "").split(".")[1:]).with_suffix(".py")
        for node in ast.walk(ast.parse(path.read_text("utf-8")))
        if isinstance(node, ast.ImportFrom) and (node.module or "").startswith("phenofit.")
        for alias in node.names
    }
    under = kernel_sources(PACKAGE)[path]
    for name, kernel in _kernels(path).items():
        loose = {used for used in kernel.__code__.co_names if used in origin and origin[used] not in under}
        assert not loose, (
            f"{name} takes {sorted(loose)} from files without kernels; move them beside the kernels"
        )


_DIRECTLY = {p.parent.name for p in KERNEL_FILES if "heat.compiling import" in p.read_text("utf-8")}


@pytest.mark.parametrize("room", sorted({p.parent.name for p in KERNEL_FILES} - _DIRECTLY))
def test_every_room_with_kernels_drops_stale_code_first(room: str) -> None:
    code = f"import sys, phenofit.{room}; print('phenofit.heat.compiling' in sys.modules)"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "True"
