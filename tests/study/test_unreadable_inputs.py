"""Inputs that are no files, too large, nested too deeply or on a full disk: one line and exit code 2, never 1."""

from __future__ import annotations

import errno
import os
from pathlib import Path

import pytest

from phenofit import files
from phenofit.cli.dispatch import main
from phenofit.errors import DataError
from phenofit.files import read_json, require_regular
from tests.studies import DEVICE, needs_device
from tests.validate.study_files import NORMAL, write_study

DEEP = 200_000


def refused(arguments: list[str], capsys: pytest.CaptureFixture[str]) -> str:
    """Run a command that must end with exit code 2 and say so in a few lines; return them."""
    assert main(arguments) == 2
    # `run` prints its progress as lines that begin with the time.
    lines = [line for line in capsys.readouterr().err.splitlines() if not line.startswith("[")]
    shown = "\n".join(lines)
    assert "Traceback" not in shown
    assert "internal error" not in shown
    assert len(lines) <= 4
    return shown


@pytest.mark.parametrize("command", ["check", "fit", "run"])
@pytest.mark.parametrize(
    ("table", "name"),
    [
        pytest.param("traps", DEVICE, marks=needs_device),
        pytest.param("catches", DEVICE, marks=needs_device),
        ("traps", "."),
    ],
)
def test_a_table_that_is_no_file_is_refused_before_it_is_read(
    command: str, table: str, name: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = write_study(tmp_path)
    path.write_text(
        path.read_text("utf-8").replace(f'file = "{table}.csv"', f'file = "{name}"'), encoding="utf-8"
    )
    out = [] if command == "check" else ["--out", str(tmp_path / "out")]
    shown = refused([command, str(path), *out], capsys)
    assert ("a device or a pipe" if name == DEVICE else "a folder, not a file") in shown


@needs_device
@pytest.mark.parametrize("key", ["files", "stations"])
def test_weather_that_is_no_file_is_refused(
    key: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = write_study(tmp_path)
    text = path.read_text("utf-8")
    text = text.replace('files = ["weather.csv"]', 'files = ["/dev/zero"]') if key == "files" else text.replace(
        'stations = "stations.csv"', 'stations = "/dev/zero"'
    )  # fmt: skip
    path.write_text(text, encoding="utf-8")
    assert "/dev/zero: this is a device or a pipe" in refused(["check", str(path)], capsys)


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="this system has no named pipes")
def test_a_pipe_nobody_writes_to_is_refused_and_not_waited_for(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = write_study(tmp_path)
    (tmp_path / "traps.csv").unlink()
    os.mkfifo(tmp_path / "traps.csv")
    assert "a device or a pipe" in refused(["check", str(path)], capsys)
    os.mkfifo(tmp_path / "study-pipe.toml")
    assert "a device or a pipe" in refused(["check", str(tmp_path / "study-pipe.toml")], capsys)


@pytest.mark.parametrize("command", ["check", "fit", "run", "validate", "compare", "forecast", "plan", "map"])
def test_a_nul_in_the_study_path(command: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out = [] if command == "check" else ["--out", str(tmp_path)]
    assert "NUL" in refused([command, "stu\0dy.toml", *out], capsys)


@pytest.mark.parametrize("key", ["title", "file"])
def test_a_nul_in_a_study_file(key: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = write_study(tmp_path)
    text = path.read_text("utf-8").replace('file = "traps.csv"', 'file = "tr\\u0000aps.csv"')
    path.write_text(text, encoding="utf-8")
    assert "is not a file name" in refused(["check", str(path)], capsys)


def test_deeply_nested_toml(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = write_study(tmp_path)
    path.write_text(path.read_text("utf-8") + f"\n[deep]\nx = {'[' * DEEP}{']' * DEEP}\n", encoding="utf-8")
    assert "nested too deeply" in refused(["check", str(path)], capsys)


def test_deeply_nested_json(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    deep = tmp_path / "deep.json"
    deep.write_text("[" * DEEP + "]" * DEEP, encoding="utf-8")
    with pytest.raises(DataError, match=r"deep.json: the JSON is nested too deeply"):
        read_json(deep, remedy="Write it flat.")
    path = write_study(tmp_path)
    text = path.read_text("utf-8").replace("invented = true", 'invented = true\ntruth = "deep.json"')
    path.write_text(text, encoding="utf-8")
    assert "nested too deeply" in refused(["run", str(path), "--out", str(tmp_path / "out")], capsys)
    assert "nested too deeply" in refused(
        ["forecast", str(path), "--fit", str(deep), "--today", "2017-06-01"], capsys
    )


def test_deeply_nested_geojson(tmp_path: Path) -> None:
    from phenofit.maps.borders import read_rings

    collection = '{"type": "GeometryCollection", "geometries": ['
    for depth in (900, DEEP):
        path = tmp_path / f"deep{depth}.geojson"
        path.write_text(collection * depth + "]}" * depth, encoding="utf-8")
        with pytest.raises(DataError, match=r"nested too deeply|no area"):
            read_rings(path)


def test_a_file_at_the_limit_is_read_and_one_above_it_refused(tmp_path: Path) -> None:
    path = tmp_path / "table.csv"
    path.write_bytes(b"x" * 1000)
    assert require_regular(path, limit=1000) == path
    with pytest.raises(DataError, match=r"at most 0 MiB are read. Give a smaller file"):
        require_regular(path, limit=999)
    assert require_regular(path, limit=None) == path


def test_a_table_above_the_limit_is_refused_unread(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    path = write_study(tmp_path)
    with (tmp_path / "catches.csv").open("r+b") as stream:
        stream.truncate(files.LARGEST_TABLE + 1)  # holds no more bytes on the disk than before
    shown = refused(["check", str(path)], capsys)
    assert "catches.csv: the file has 2048 MiB; at most 2048 MiB are read." in shown


def test_a_file_without_permission_and_a_name_too_long(tmp_path: Path) -> None:
    with pytest.raises(DataError, match="cannot be read"):
        require_regular(tmp_path / ("x" * 5000))
    with pytest.raises(DataError, match="does not exist"):
        require_regular(tmp_path / "a" / "b.csv")
    (tmp_path / "file").write_text("", encoding="utf-8")
    with pytest.raises(DataError, match="does not exist"):
        require_regular(tmp_path / "file" / "b.csv")


@pytest.mark.parametrize("kind", ["os", "library"])
def test_a_full_disk_while_a_map_is_written(
    kind: str, tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    import xarray as xr

    path = write_study(tmp_path, more=NORMAL)
    out = tmp_path / "out"
    assert main(["validate", str(path), "--out", str(out), "--events", "flight_50"]) == 0
    capsys.readouterr()

    def full(*_: object, **__: object) -> None:
        if kind == "os":
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC), str(out / "error_map.nc"))
        raise RuntimeError("NetCDF: HDF error")

    monkeypatch.setattr(xr.Dataset, "to_netcdf", full)
    shown = refused(["map", str(out / "validation.csv"), "--out", str(out)], capsys)
    assert "cannot read or write" in shown
    assert not list(out.glob("*.nc"))
