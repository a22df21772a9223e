"""The pages for every reader: valid HTML, the rules of axe-core, small screens, light and dark, print, contents."""

from __future__ import annotations

import base64
import re
import shutil
from collections.abc import Iterator
from importlib.resources import files
from pathlib import Path

import html5lib
import pytest

from phenofit.analysis.results import StudyResult
from phenofit.field import write_field_page
from phenofit.report import write_summary
from tests.maps.browser import Browser

PAGES = ("report", "field", "summary")
# axe-core, the rules of WCAG 2.1 A and AA and its best practices; it comes with the package axe-core-python.
AXE = files("axe_core_python").joinpath("axe.min.js").read_text("utf-8")
FINDINGS = """axe.run().then(found => [...found.violations, ...found.incomplete.filter(one => one.id === "color-contrast")]
  .flatMap(one => one.nodes.map(node => `${one.id}: ${node.target} ${node.failureSummary}`))
  .filter(text => !text.includes("content is too short") && !text.includes("contains an image node")))"""
# Two kinds axe leaves open: a lone digit on an axis, which has the colour of its neighbours, and text inside drawings,
# whose contrast with the paper behind is computed here by the formula of WCAG 2.1.
DRAWN = """(() => {
  const rgb = text => text.match(/[\\d.]+/g).map(Number);
  const light = text => rgb(text).slice(0, 3).map(v => v / 255).map(v => v <= 0.03928 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4)
    .reduce((sum, v, k) => sum + v * [0.2126, 0.7152, 0.0722][k], 0);
  const behind = one => { const c = getComputedStyle(one).backgroundColor; return rgb(c)[3] === 0 && one.parentElement ? behind(one.parentElement) : c; };
  return [...document.querySelectorAll("svg text")].filter(one => one.getClientRects().length).map(one => {
    const pair = [light(getComputedStyle(one).fill), light(behind(one))].sort((a, b) => b - a);
    return (pair[0] + 0.05) / (pair[1] + 0.05);
  });
})()"""


@pytest.fixture(scope="module")
def folder(result: StudyResult, rendered: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("pages")
    shutil.copytree(rendered, out, dirs_exist_ok=True)
    write_summary(result, out / "summary.html")
    species = result.species[0]
    write_field_page(
        out / "field.html",
        [(species.fit, species.records, species.validation)],
        today="2022-06-11",
        title=result.study.title,
        invented=True,
    )
    return out


@pytest.fixture(scope="module")
def browser(chromium: str, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Browser]:
    with Browser(chromium, tmp_path_factory.mktemp("profile")) as opened:
        yield opened


def shown(browser: Browser, page: Path, width: int, scheme: str = "light") -> None:
    browser.events.clear()
    browser.call(
        "Emulation.setDeviceMetricsOverride", width=width, height=900, deviceScaleFactor=1, mobile=False
    )
    browser.call("Emulation.setEmulatedMedia", features=[{"name": "prefers-color-scheme", "value": scheme}])
    browser.open(page)


@pytest.mark.parametrize("name", PAGES)
def test_the_html_has_no_error_of_syntax(folder: Path, name: str) -> None:
    # html5lib follows the parsing rules of the WHATWG standard; "strict" raises at its first parse error.
    text = (folder / f"{name}.html").read_text("utf-8")
    tree = html5lib.HTMLParser(strict=True).parse(text)
    identifiers = [one.get("id") for one in tree.iter() if one.get("id")]
    assert len(identifiers) == len(set(identifiers))
    with pytest.raises(html5lib.html5parser.ParseError):
        html5lib.HTMLParser(strict=True).parse(text.replace("</main>", "</div></main>", 1))


@pytest.mark.browser
@pytest.mark.slow
@pytest.mark.parametrize("name", PAGES)
@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("width", [390, 768, 1280])
def test_axe_finds_nothing(browser: Browser, folder: Path, name: str, scheme: str, width: int) -> None:
    shown(browser, folder / f"{name}.html", width, scheme)
    browser.value("document.querySelectorAll('details').forEach(one => { one.open = true; })")
    browser.value(f"{AXE}; true")
    found = browser.call("Runtime.evaluate", expression=FINDINGS, awaitPromise=True, returnByValue=True)
    assert found["result"]["value"] == []
    contrasts = browser.value(DRAWN)
    assert len(contrasts) > 5 or name == "summary"
    assert min(contrasts, default=21.0) >= 4.5
    dark = browser.value("getComputedStyle(document.body).backgroundColor")
    assert (dark == "rgb(255, 255, 255)") == (scheme == "light")


@pytest.mark.browser
@pytest.mark.parametrize("name", PAGES)
def test_nothing_is_wider_than_a_phone_and_the_policy_is_kept(
    browser: Browser, folder: Path, name: str
) -> None:
    shown(browser, folder / f"{name}.html", 390)
    browser.value("document.querySelectorAll('details').forEach(one => { one.open = true; })")
    assert browser.value("document.documentElement.scrollWidth") <= 390
    assert browser.complaints() == []
    policy = browser.value("document.querySelector('meta[http-equiv]').content")
    assert "default-src 'none'" in policy
    assert "script-src 'unsafe-inline'" not in policy
    # A script that is not the page's own does not run.
    browser.value(
        "(() => { const s = document.createElement('script'); s.textContent = 'window.foreign = 1'; "
        "document.body.append(s); })()"
    )
    assert browser.value("window.foreign === undefined")


@pytest.mark.browser
def test_the_contents_reach_every_answer_in_order(browser: Browser, folder: Path) -> None:
    shown(browser, folder / "report.html", 1280)
    links = browser.value(
        "[...document.querySelectorAll('nav a')].map(a => [a.textContent, "
        "document.querySelector(CSS.escape ? '#' + CSS.escape(a.hash.slice(1)) : a.hash)?.getBoundingClientRect().top])"
    )
    words, tops = [text for text, _ in links], [top for _, top in links]
    assert None not in tops
    assert tops == sorted(tops)
    assert words[2:8] == [
        "This season", "Forecast error", "Flight and base", "Published thresholds", "Goodness of fit", "Data",
    ]  # fmt: skip


@pytest.mark.browser
def test_the_chart_of_a_place_is_that_chosen(browser: Browser, folder: Path, result: StudyResult) -> None:
    shown(browser, folder / "report.html", 1280)
    choices = browser.value("[...document.querySelectorAll('.chooser option')].map(o => o.textContent)")
    forecast = result.species[0].forecast
    assert forecast is not None
    assert choices == sorted(map(str, forecast["site"].unique()))
    visible = "[...document.querySelectorAll('.charts figure')].filter(f => f.offsetHeight > 0).map(f => f.textContent)"
    assert len(browser.value(visible)) == 1
    for k, name in enumerate(choices):
        browser.value(
            f"(() => {{ const s = document.querySelector('.chooser select'); s.value = '{k}'; "
            "s.dispatchEvent(new Event('change')); })()"
        )
        (text,) = browser.value(visible)
        assert f"{name}, station" in text


@pytest.mark.browser
def test_print_opens_what_is_folded(browser: Browser, folder: Path) -> None:
    shown(browser, folder / "report.html", 1280)
    closed = "document.querySelectorAll('details:not([open])').length"
    before = browser.value(closed)
    assert before > 3
    pdf = base64.b64decode(browser.call("Page.printToPDF")["data"])
    assert len(re.findall(rb"/Type\s*/Page\b(?!s)", pdf)) > 5
    browser.value("dispatchEvent(new Event('beforeprint'))")
    assert browser.value(closed) == 0
    browser.value("dispatchEvent(new Event('afterprint'))")
    assert browser.value(closed) == before


@pytest.mark.browser
def test_a_wide_table_shows_that_it_goes_on(browser: Browser, folder: Path) -> None:
    shown(browser, folder / "report.html", 390)
    wide = "[...document.querySelectorAll('.scroll')].filter(one => one.scrollWidth > one.clientWidth)"
    assert browser.value(f"{wide}.length") > 0
    assert browser.value(f"{wide}.every(one => one.tabIndex === 0 && one.getAttribute('aria-label'))")
    assert browser.value(f"{wide}.every(one => one.classList.contains('wide'))")
    narrow = "[...document.querySelectorAll('.scroll')].filter(one => one.scrollWidth <= one.clientWidth)"
    assert browser.value(f"{narrow}.every(one => !one.classList.contains('wide'))")
    shown(browser, folder / "summary.html", 1280)
    assert browser.value(f"{wide}.length") == 0
