"""The interactive map: what it holds, that it is safe, and that a browser can use it."""

from __future__ import annotations

import base64
import io
import re
from html.parser import HTMLParser
from pathlib import Path
from typing import ClassVar

import numpy as np
import pytest
import xarray as xr
from PIL import Image

from phenofit.files.pictures import pixel_bytes
from phenofit.maps.drawing.interactive import interactive_map, write_interactive_page
from tests.calls import error_map

from .browser import Browser
from .tables import invented_validation

NASTY = "</script><img src=x onerror=alert(1)> & \"Höhe\" '山'"


@pytest.fixture(scope="module")
def dataset() -> xr.Dataset:
    table = invented_validation(sites=40, years=7, seed=4).table
    table.loc[table["site"] == "Site 005", "site"] = NASTY
    return error_map(table, cell_km=6, invented=True)


def test_png_is_read_back_by_another_library() -> None:
    pixels = np.random.default_rng(0).integers(0, 256, (13, 7, 4), dtype=np.uint8)
    np.testing.assert_array_equal(np.asarray(Image.open(io.BytesIO(pixel_bytes(pixels)))), pixels)


class _Balance(HTMLParser):
    """Collects elements and checks that they close in order."""

    VOID: ClassVar = {"input", "meta", "link", "img"}

    def __init__(self) -> None:
        super().__init__(convert_charrefs=True)
        self.open: list[str] = []
        self.seen: list[tuple[str, dict[str, str | None]]] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.seen.append((tag, dict(attrs)))
        if tag not in self.VOID:
            self.open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag


def test_piece_is_well_formed_and_names_are_escaped(dataset: xr.Dataset) -> None:
    piece = interactive_map(dataset, identifier="m1")
    parser = _Balance()
    parser.feed(piece)
    parser.close()
    assert not parser.open
    tags = [tag for tag, _ in parser.seen]
    assert "img" not in tags, "a site name must not become an element"
    options = [a for _, a in parser.seen if a.get("role") == "option"]
    assert len(options) == 40
    assert any((a["aria-label"] or "").startswith(NASTY) for a in options)
    ids = [a["id"] for _, a in parser.seen if "id" in a]
    assert len(ids) == len(set(ids))
    assert all((i or "").startswith("m1") for i in ids)


def test_nothing_points_outside(dataset: xr.Dataset) -> None:
    piece = interactive_map(dataset)
    assert not re.findall(r"""(?:src|href)=["'](?!data:|#)""", piece)
    assert "url(http" not in piece
    assert "@import" not in piece


def test_pictures_hold_the_surface(dataset: xr.Dataset) -> None:
    piece = interactive_map(dataset)
    first = re.search(r'<image href="data:image/png;base64,([^"]+)"[^>]*pfm-cells', piece)
    assert first is not None
    pixels = np.asarray(Image.open(io.BytesIO(base64.b64decode(first.group(1)))))
    field = dataset["mean_error"].to_numpy()
    np.testing.assert_array_equal(pixels[..., 3] > 0, np.isfinite(field))
    # Late is the brown end: more red than blue; early the blue end (the house's own scale).
    strong = np.isfinite(field) & (np.abs(field) > 2.0)
    assert strong.any()
    red_minus_blue = pixels[..., 0].astype(int) - pixels[..., 2]
    np.testing.assert_array_equal(red_minus_blue[strong] > 0, field[strong] > 0)


def test_points_alone_make_a_map_as_well() -> None:
    alone = error_map(invented_validation(sites=3, years=2, seed=1).table)
    piece = interactive_map(alone)
    assert "No surface is drawn" in piece
    assert "best location for another trap" not in piece
    assert piece.count('role="option"') == 3


@pytest.mark.browser
def test_in_a_browser(dataset: xr.Dataset, chromium: str, tmp_path: Path) -> None:
    page = tmp_path / "map.html"
    write_interactive_page(dataset, page)
    with Browser(chromium, tmp_path / "profile") as browser:
        browser.open(page)
        readout = "document.querySelector('.pfm-readout').textContent"
        site = "document.querySelectorAll('.pfm-site')"
        # Hover: the numbers of the site under the pointer.
        browser.hover(f"{site}[3]")
        assert browser.value(readout) == browser.value(f"{site}[3].getAttribute('aria-label')")
        assert "mean error" in browser.value(readout)
        # Keys: Tab to the choice, Tab to the sites, arrows walk, Home and End jump, Escape leaves.
        browser.value("document.activeElement.blur()")
        browser.press("Tab", 9)
        assert browser.value("document.activeElement.type") == "radio"
        browser.press("Tab", 9)
        assert browser.value("document.activeElement.getAttribute('role')") == "option"
        browser.press("ArrowRight", 39)
        assert browser.value(f"document.activeElement === {site}[1]")
        assert browser.value(readout) == browser.value(f"{site}[1].getAttribute('aria-label')")
        assert browser.value(f"{site}[1].getAttribute('aria-selected')") == "true"
        browser.press("End", 35)
        assert browser.value(f"document.activeElement === {site}[39]")
        browser.press("ArrowRight", 39)
        assert browser.value(f"document.activeElement === {site}[39]")
        browser.press("Home", 36)
        assert browser.value(f"document.activeElement === {site}[0]")
        browser.press("Escape", 27)
        assert browser.value(readout).startswith("Point at a site")
        # Choices: by mouse-less click of the second radio, other fills and another surface.
        before = browser.value(f"{site}[0].querySelector('.pfm-mark').getAttribute('fill')")
        shown = "[...document.querySelectorAll('.pfm-view')].filter(v => getComputedStyle(v).display !== 'none').map(v => v.dataset.view)"
        assert set(browser.value(shown)) == {"0"}
        browser.value("document.querySelectorAll('.pfm-choice input')[0].focus()")
        browser.press("ArrowRight", 39)
        assert set(browser.value(shown)) == {"1"}
        assert browser.value(f"{site}[0].querySelector('.pfm-mark').getAttribute('fill')") != before
        # The nasty name stays text, nothing is asked from outside, nothing is complained about.
        assert browser.value("document.images.length") == 0
        names = browser.value("[...document.querySelectorAll('tbody th')].map(t => t.textContent)")
        assert NASTY in names
        # What a screen reader gets: a list of sites with names, read from the accessibility tree.
        tree = browser.call("Accessibility.getFullAXTree")["nodes"]
        roles = [n.get("role", {}).get("value") for n in tree]
        assert roles.count("option") == 40
        assert roles.count("radio") == 4
        assert browser.requests() == []
        assert browser.complaints() == []
