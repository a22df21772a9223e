"""The drawn maps: pictures against stored ones, and their frame."""

from __future__ import annotations

import os
import socket
from pathlib import Path
from typing import Any

import matplotlib
import numpy as np
import pytest
import xarray as xr
from matplotlib.figure import Figure
from matplotlib.testing.compare import compare_images

from phenofit.errors import DataError, ModelError, PhenofitWarning
from phenofit.files.pictures import save_figure
from phenofit.maps.borders import bundled_lines, read_lines
from phenofit.maps.drawing.captions import map_caption
from phenofit.maps.drawing.error_maps import draw_error_map, printable
from phenofit.maps.drawing.map_frame import frame_of, graticule_lines, outline_lines, scale_length
from phenofit.maps.drawing.scales import QUANTITIES, early_late, limits, mix, ramp
from phenofit.plots import plot_error_map
from tests.calls import error_map

from .tables import invented_validation

IMAGES = Path(__file__).resolve().parents[1] / "images" / "maps"
# Root mean square of pixel differences; another release of the drawing library moves letters by a pixel.
TOLERANCE = 12.0
CASES: dict[str, dict[str, Any]] = {
    "plains": {"sites": 40, "years": 8, "seed": 5, "missing": 0.4},
    "south": {"sites": 36, "years": 6, "seed": 3, "latitude": -35.2, "longitude": 146.5},
    "date_line": {"sites": 36, "years": 6, "seed": 9, "latitude": -17.4, "longitude": 179.9, "extent_km": 250},
    "points": {"sites": 12, "years": 4, "seed": 3, "smooth_sd": 0.0, "local_sd": 2.0, "latitude": 52.0, "longitude": 5.5},
}  # fmt: skip


@pytest.fixture(scope="module")
def maps() -> dict[str, xr.Dataset]:
    return {name: error_map(invented_validation(**case).table, invented=True) for name, case in CASES.items()}


@pytest.mark.parametrize(
    ("case", "quantity"),
    [*(("plains", q) for q in QUANTITIES), ("south", "bias"), ("date_line", "bias"), ("points", "bias")],
)
def test_picture(maps: dict[str, xr.Dataset], case: str, quantity: str, tmp_path: Path) -> None:
    name = f"{case}_{quantity.replace(' ', '_')}.png"
    save_figure(draw_error_map(maps[case], quantity), tmp_path / name, dpi=60)
    expected = IMAGES / name
    if os.environ.get("PHENOFIT_NEW_IMAGES"):
        IMAGES.mkdir(parents=True, exist_ok=True)
        expected.write_bytes((tmp_path / name).read_bytes())
    difference = compare_images(str(expected), str(tmp_path / name), tol=TOLERANCE)
    assert difference is None, difference


def test_picture_test_can_fail(maps: dict[str, xr.Dataset], tmp_path: Path) -> None:
    turned = maps["plains"].copy()
    turned["mean_error"] = -turned["mean_error"]
    save_figure(draw_error_map(turned, "bias"), tmp_path / "turned.png", dpi=60)
    (tmp_path / "expected.png").write_bytes((IMAGES / "plains_bias.png").read_bytes())
    assert (
        compare_images(str(tmp_path / "expected.png"), str(tmp_path / "turned.png"), tol=TOLERANCE)
        is not None
    )


@pytest.mark.parametrize("ending", ["png", "svg", "pdf"])
def test_same_figure_same_bytes(maps: dict[str, xr.Dataset], tmp_path: Path, ending: str) -> None:
    for name in ("a", "b"):
        save_figure(draw_error_map(maps["points"], "bias"), tmp_path / f"{name}.{ending}")
    assert (tmp_path / f"a.{ending}").read_bytes() == (tmp_path / f"b.{ending}").read_bytes()


def test_scale_is_centred_and_speaks_in_words(maps: dict[str, xr.Dataset]) -> None:
    low, high, ticks = limits(maps["plains"], QUANTITIES["bias"])
    assert low == -high
    assert 0.0 in np.round(ticks, 9)
    assert np.nanmax(np.abs(maps["plains"]["mean_error"])) <= high
    assert [early_late(t) for t in (-2.0, 0.0, 2.0)] == ["2 early", "0", "2 late"]


def _luminance(colour: str) -> float:
    """CIE lightness of an sRGB colour (IEC 61966-2-1 transfer curve, CIE 1976 L*)."""
    rgb = np.array([int(colour[k : k + 2], 16) for k in (1, 3, 5)]) / 255
    linear = np.where(rgb <= 0.04045, rgb / 12.92, ((rgb + 0.055) / 1.055) ** 2.4)
    y = float(linear @ [0.2126, 0.7152, 0.0722])
    return 116 * y ** (1 / 3) - 16 if y > 0.008856 else 903.3 * y


@pytest.mark.parametrize("name", list(QUANTITIES))
def test_scales_are_readable_in_grey(name: str) -> None:
    shown = QUANTITIES[name]
    light = np.array([_luminance(ramp(shown.colours, s)) for s in np.linspace(0, 1, 41)])
    if shown.centred:
        assert np.all(np.diff(light[:21]) > 0)
        assert np.all(np.diff(light[20:]) < 0)
        assert light[20] - max(light[0], light[-1]) > 50
    else:
        steps = np.diff(light)
        assert np.all(steps > 0) or np.all(steps < 0)
        assert abs(light[-1] - light[0]) > 60


def test_early_and_late_differ_for_colour_blind_eyes() -> None:
    # Viénot, Brettel and Mollon (1999) dichromat matrices on linear RGB, as in libDaltonLens.
    views = {
        "protan": np.array([[0.11238, 0.88762, 0], [0.11238, 0.88762, 0], [0.00401, -0.00401, 1]]),
        "deutan": np.array([[0.29275, 0.70725, 0], [0.29275, 0.70725, 0], [-0.02234, 0.02234, 1]]),
    }
    for step in (0.2, 0.3):
        early, late = (ramp(QUANTITIES["bias"].colours, s) for s in (0.5 - step, 0.5 + step))
        for name, matrix in views.items():
            seen = [
                matrix @ (np.array([int(c[k : k + 2], 16) for k in (1, 3, 5)]) / 255) ** 2.2
                for c in (early, late)
            ]
            assert np.abs(seen[0] - seen[1]).max() > 0.15, (name, step)


def test_caption_tells_what_the_map_is_made_from(maps: dict[str, xr.Dataset]) -> None:
    text = map_caption(maps["plains"], shown=QUANTITIES["bias"])
    assert text.startswith("Invented data.")
    assert "40 sites, 8 held-out years 2015-2022" in text
    assert "left out one by one" in text
    assert "weather known" in text
    assert "Invented" not in map_caption(error_map(invented_validation(**CASES["points"]).table))


def test_outlines_lie_where_they_should() -> None:
    # Four Corners, where four states meet: 36.999 N, 109.045 W (monument: 36 59 56.3 N, 109 02 42.6 W).
    lines = [xy for level, xy in bundled_lines(-109.5, 36.5, -108.5, 37.5, finest=1) if level == 1]
    gap = min(float(np.hypot(*(xy - [-109.045, 36.999]).T).min()) for xy in lines)
    assert gap < 0.02
    # Land's End, 50.066 N, 5.715 W, on the coast of Natural Earth at 1:50 million. An encyclopedia
    # gives 50.069 N, 5.716 W, 0.3 km away.
    coast = [xy for level, xy in bundled_lines(-6.5, 49.5, -5.0, 50.5, finest=0) if level == 0]
    assert min(float(np.hypot(*(xy - [-5.715, 50.066]).T).min()) for xy in coast) < 0.1


def test_map_across_180_degrees_has_coasts_of_both_sides(maps: dict[str, xr.Dataset]) -> None:
    frame = frame_of(maps["date_line"])
    lines = outline_lines(frame)
    assert lines
    longest = max(np.abs(np.diff(xy, axis=0)).max() for _, xy in lines if len(xy) > 1)
    assert longest < frame.east - frame.west, "no line may jump across the map"
    meridians = {degrees for kind, degrees, _ in graticule_lines(frame) if kind == "meridian"}
    assert any(d > 0 for d in meridians)
    assert any(d < 0 for d in meridians)


def test_scale_bar_is_a_quarter_of_the_map_at_most(maps: dict[str, xr.Dataset]) -> None:
    for dataset in maps.values():
        frame = frame_of(dataset)
        width = (frame.east - frame.west) / 1000
        assert width / 13 < scale_length(frame) <= width / 4 * 1.01


def test_own_outlines_and_their_faults(maps: dict[str, xr.Dataset], tmp_path: Path) -> None:
    good = tmp_path / "border.geojson"
    good.write_text('{"type": "LineString", "coordinates": [[-100, 41], [-98, 41.2]]}')
    assert len(outline_lines(frame_of(maps["plains"]), good)) == 1
    for text, message in (
        ("{", "this is not JSON"),
        ("[]", "not a GeoJSON object"),
        ('{"type": "Topology"}', "'Topology' is no GeoJSON type"),
        ('{"type": "LineString", "coordinates": [[1, "x"], [2, 2]]}', "not pairs of numbers"),
        (
            '{"type": "LineString", "coordinates": [[500000, 4600000], [500100, 4600000]]}',
            "is not in degrees",
        ),
    ):
        bad = tmp_path / "bad.geojson"
        bad.write_text(text)
        with pytest.raises(DataError, match=message):
            read_lines(bad)


def test_signs_that_the_font_lacks_are_named_not_drawn_as_boxes(
    maps: dict[str, xr.Dataset], tmp_path: Path
) -> None:
    dataset = maps["points"].copy()
    dataset.attrs["species"] = "蛾 $x^2$ Œuf"
    with pytest.warns(PhenofitWarning, match="no sign for 蛾"):
        figure = draw_error_map(dataset, "bias")
    save_figure(figure, tmp_path / "m.png", dpi=40)
    assert figure.axes[0].get_title(loc="left").startswith("? $x^2$ Œuf")
    assert printable("Ω -5 °C") == "Ω -5 °C"


def test_a_map_of_five_sites_needs_no_network(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def refused(*_arguments: object) -> None:
        raise AssertionError("a map asked for the network")

    monkeypatch.setattr(socket, "getaddrinfo", refused)
    monkeypatch.setattr(socket.socket, "connect", refused)
    with pytest.raises(AssertionError, match="asked for the network"):
        socket.create_connection(("127.0.0.1", 9), timeout=1)
    dataset = error_map(invented_validation(sites=5, years=3, seed=2).table, invented=True)
    save_figure(draw_error_map(dataset, "bias"), tmp_path / "map.png", dpi=40)
    assert (tmp_path / "map.png").stat().st_size > 1000


def test_a_map_is_drawn_on_a_panel_of_ones_own(maps: dict[str, xr.Dataset]) -> None:
    figure = Figure()
    left, right = figure.subplots(1, 2)
    assert plot_error_map(maps["plains"], ax=left) is left
    assert left.get_title(loc="left")
    assert len(figure.axes) == 3  # two panels and the scale of colours
    assert not right.has_data()
    own = plot_error_map(maps["plains"])
    assert own.get_xlim() == left.get_xlim()


def test_unknown_map_is_refused(maps: dict[str, xr.Dataset]) -> None:
    with pytest.raises(ModelError, match="'speed' is no map; accepted are bias, rmse, coverage, next trap"):
        draw_error_map(maps["points"], "speed")


def test_drawing_leaves_the_drawing_library_as_it_was(maps: dict[str, xr.Dataset]) -> None:
    before = dict(matplotlib.rcParams)
    draw_error_map(maps["points"], "bias")
    assert dict(matplotlib.rcParams) == before
    assert mix("#000000", "#ffffff", 0.25) == "#404040"
