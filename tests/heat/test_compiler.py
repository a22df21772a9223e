"""Machine code on disk follows the sources of the kernels that were compiled into it."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import pytest
from numba.core import config

import phenofit
from phenofit.flight.kernels.curves import curve_point
from phenofit.heat.compiled.compiler import KERNEL_ROOMS, cache_folder, compiled
from phenofit.heat.compiled.daily_kernels import day_heat

PACKAGE = Path(phenofit.__file__).parent


def _one(x: float) -> float:
    return x


@pytest.fixture
def toy(tmp_path: Path) -> Path:
    """A package with one file of kernels in each room, and a file without."""
    package = tmp_path / "toy"
    for room in KERNEL_ROOMS:
        (package / room).mkdir(parents=True)
        (package / room / "kernel.py").write_text("A = 1\n", encoding="utf-8")
    (package / "plain.py").write_text("B = 1\n", encoding="utf-8")
    return package


@pytest.mark.parametrize("room", KERNEL_ROOMS)
def test_a_change_in_any_kernel_file_gives_a_new_folder(toy: Path, room: str) -> None:
    before = cache_folder(toy)
    assert cache_folder(toy) == before
    (toy / "plain.py").write_text("B = 2\n", encoding="utf-8")
    assert cache_folder(toy) == before
    (toy / room / "kernel.py").write_text("A = 2\n", encoding="utf-8")
    changed = cache_folder(toy)
    assert changed != before
    (toy / room / "kernel.py").rename(toy / room / "renamed.py")
    assert cache_folder(toy) not in (before, changed)


def test_where_the_folder_is(toy: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("NUMBA_CACHE_DIR", raising=False)
    assert cache_folder(toy).parent == toy / "__pycache__"
    name = cache_folder(toy).name
    monkeypatch.setenv("NUMBA_CACHE_DIR", str(tmp_path / "mine"))
    assert cache_folder(toy) == tmp_path / "mine" / name
    monkeypatch.delenv("NUMBA_CACHE_DIR")
    monkeypatch.setattr("phenofit.heat.compiled.compiler.os.access", lambda *_: False)
    monkeypatch.delenv("LOCALAPPDATA", raising=False)
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "user"))
    assert cache_folder(toy) == tmp_path / "user" / name
    monkeypatch.delenv("XDG_CACHE_HOME")
    monkeypatch.setattr(Path, "home", lambda: tmp_path / "home")
    assert cache_folder(toy) == tmp_path / "home" / ".cache" / name


def test_kernels_of_both_rooms_use_the_folder_and_leave_the_setting_of_the_process_alone() -> None:
    before = vars(config)["CACHE_DIR"]
    folder = cache_folder(PACKAGE)
    kernels: tuple[Any, ...] = (day_heat, curve_point, compiled(_one))
    for kernel in kernels:
        assert folder in Path(kernel.stats.cache_path).parents
    assert before == vars(config)["CACHE_DIR"]


def test_kernels_stand_in_their_rooms_only() -> None:
    uses = re.compile(
        r"^\s*@(numba\.)?(n?jit|\w*vectorize|compiled\w*)\b|^(import|from) numba\b", re.MULTILINE
    )
    outside = [
        path.relative_to(PACKAGE).as_posix()
        for path in PACKAGE.rglob("*.py")
        if uses.search(path.read_text("utf-8"))
        and path.parent.relative_to(PACKAGE).as_posix() not in KERNEL_ROOMS
    ]
    assert outside == []


def test_kernels_take_constants_and_kernels_from_their_rooms_only() -> None:
    # Whatever a kernel room imports from the package may be compiled in: it must be under the hash.
    allowed = ("phenofit.heat.compiled", "phenofit.flight.kernels", "phenofit.errors")
    for room in KERNEL_ROOMS:
        for path in (PACKAGE / room).glob("*.py"):
            found = re.findall(r"^\s*from (phenofit[\w.]*) import", path.read_text("utf-8"), re.MULTILINE)
            assert all(name.startswith(allowed) for name in found), path
