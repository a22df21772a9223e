"""A disk that is full while a map is written: an error that names the file, and nothing half-written."""

from __future__ import annotations

import errno
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
import xarray as xr

from phenofit.maps.drawing.interactive import write_interactive_page
from phenofit.maps.export import write_error_map, write_geotiff, write_sites_geojson
from phenofit.maps.map_files import write_map_figures
from tests.calls import error_map

from .tables import invented_validation

resource = pytest.importorskip("resource", reason="this system has no limit on the size of a file")


@contextmanager
def largest_file(size: int) -> Iterator[None]:
    """Let no file of this process grow beyond a size, as on a disk with so many bytes left."""
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (size, hard))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))


@pytest.fixture(scope="module")
def dataset() -> xr.Dataset:
    return error_map(invented_validation(sites=40, years=5, seed=4).table, cell_km=15)


def _figures(dataset: xr.Dataset, path: Path) -> None:
    write_map_figures(dataset, path.parent, prefix=path.name.removesuffix("_bias.png"))


WRITERS: dict[str, Callable[[xr.Dataset, Path], object]] = {
    "map.nc": write_error_map,
    "map.tif": write_geotiff,
    "sites.geojson": write_sites_geojson,
    "map.html": write_interactive_page,
    "map_bias.png": _figures,
}


@pytest.mark.parametrize(
    "name", [pytest.param(n, marks=pytest.mark.slow) if n.endswith(".png") else n for n in WRITERS]
)
def test_no_file_is_left_that_is_not_whole(name: str, dataset: xr.Dataset, tmp_path: Path) -> None:
    write = WRITERS[name]
    (tmp_path / "whole").mkdir()
    write(dataset, tmp_path / "whole" / name)
    whole = (tmp_path / "whole" / name).read_bytes()
    target = tmp_path / "full" / name
    target.parent.mkdir()
    for size in (0, 100, len(whole) // 2, len(whole) - 1):
        with pytest.raises(OSError) as caught, largest_file(size):
            write(dataset, target)
        assert caught.value.errno == errno.EFBIG
        assert caught.value.filename == str(target)
        assert list(target.parent.iterdir()) == []
    with largest_file(10 * len(whole)):
        write(dataset, target)
    assert target.read_bytes() == whole
