"""The built wheel, used from outside the checkout: its data sets are inside, and the command works."""

from __future__ import annotations

import os
import subprocess
import sys
import zipfile
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]
pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def wheel(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("wheel")
    command = [sys.executable, "-m", "build", "--wheel", "--no-isolation", "--outdir", str(folder), str(ROOT)]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout + done.stderr
    (found,) = folder.glob("*.whl")
    return found


@pytest.fixture(scope="module")
def installed(wheel: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    # Unpacked and put first on the path: the same modules as an installation, with the packages already here.
    folder = tmp_path_factory.mktemp("site")
    with zipfile.ZipFile(wheel) as archive:
        archive.extractall(folder)
    return folder


def _run(installed: Path, where: Path, *arguments: str) -> subprocess.CompletedProcess[str]:
    environment = {**os.environ, "PYTHONPATH": str(installed), "PYTHONSAFEPATH": "1"}
    return subprocess.run(
        [sys.executable, *arguments], cwd=where, env=environment, capture_output=True, text=True, check=False
    )


def test_the_wheel_holds_the_package_and_its_data_and_nothing_else(wheel: Path) -> None:
    with zipfile.ZipFile(wheel) as archive:
        names = archive.namelist()
    top = {name.split("/")[0] for name in names}
    assert top == {"phenofit", "phenofit_toolkit-0.2.0.dist-info"}
    for needed in (
        "phenofit/py.typed",
        "phenofit/data/datasets/published_thresholds.csv",
        "phenofit/data/datasets/demo/study.toml",
        "phenofit/data/datasets/demo/catches.csv",
        "phenofit/data/datasets/demo/weather.csv",
    ):
        assert needed in names
    assert not [n for n in names if n.endswith((".pyc", ".nbi", ".nbc"))]
    # Every file of the package that is no code must be in: templates, outlines, styles.
    kept = {p.relative_to(ROOT).as_posix() for p in (ROOT / "phenofit").rglob("*") if p.is_file()}
    kept = {
        k for k in kept if "__pycache__" not in k and "/." not in k and not k.startswith("phenofit/data/")
    }
    assert kept <= set(names)


def test_the_data_sets_are_found_from_elsewhere(installed: Path, tmp_path: Path) -> None:
    code = (
        "import phenofit; from phenofit.files.bundled import bundled_path;"
        "print(phenofit.__file__); print(bundled_path('demo')); print(bundled_path('published_thresholds.csv'))"
    )
    done = _run(installed, tmp_path, "-c", code)
    assert done.returncode == 0, done.stderr
    for line in done.stdout.splitlines():
        assert Path(line).is_relative_to(installed)


def test_the_demo_is_copied_and_checked_from_elsewhere(installed: Path, tmp_path: Path) -> None:
    copied = _run(installed, tmp_path, "-m", "phenofit", "demo", "--copy-only", "--out", "trial")
    assert copied.returncode == 0, copied.stderr
    checked = _run(installed, tmp_path, "-m", "phenofit", "check", "trial/study.toml")
    assert checked.returncode == 0, checked.stdout + checked.stderr
