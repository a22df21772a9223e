"""The page in a real browser: it fits a phone and a desk, shows its pictures, and prints."""

from __future__ import annotations

import json
import re
import subprocess
from pathlib import Path

import pytest

pytestmark = pytest.mark.browser

PROBE = """
<script>
addEventListener("load", () => {
  const root = document.documentElement;
  const reach = [...document.querySelectorAll("p, li, dd, h1, h2, h3, nav")]
    .filter((e) => e.getBoundingClientRect().right > innerWidth + 1).map((e) => e.textContent.slice(0, 60));
  const pictures = [...document.images].filter((e) => e.naturalWidth === 0).length;
  const scrollers = [...document.querySelectorAll(".scroll")].filter((e) => e.scrollWidth > e.clientWidth + 1 && e.tabIndex !== 0).length;
  document.body.dataset.probe = JSON.stringify({
    wide: root.scrollWidth - innerWidth, reach, pictures, scrollers, images: document.images.length, inner: innerWidth,
  });
});
</script>
"""


def chrome(chromium: str, profile: Path, *options: str) -> str:
    command = [
        chromium, "--headless", "--no-sandbox", "--disable-gpu", "--no-first-run", "--disable-background-networking",
        "--disable-component-update", "--disable-sync", f"--user-data-dir={profile}", *options,
    ]  # fmt: skip
    done = subprocess.run(command, capture_output=True, text=True, timeout=120, check=False)
    assert done.returncode == 0, done.stderr[-2000:]
    return done.stdout


@pytest.fixture
def page(rendered: Path) -> Path:
    return rendered / "report.html"


@pytest.mark.parametrize("width", [500, 1200])
def test_nothing_runs_out_of_the_window(width: int, page: Path, chromium: str, tmp_path: Path) -> None:
    # 500 px is the narrowest window that every headless build opens; the layout for phones holds below 544 px.
    probed = tmp_path / "probe.html"
    probed.write_text(
        page.read_text(encoding="utf-8")
        .replace("Content-Security-Policy", "no-policy")  # which would stop the probe
        .replace("</body>", PROBE + "</body>"),
        encoding="utf-8",
    )
    dom = chrome(chromium, tmp_path / "profile", f"--window-size={width},900", "--dump-dom", probed.as_uri())
    found = re.search(r'data-probe="([^"]*)"', dom)
    assert found is not None
    seen = json.loads(found.group(1).replace("&quot;", '"').replace("&lt;", "<").replace("&amp;", "&"))
    assert seen["wide"] <= 0
    assert seen["reach"] == []
    assert seen["pictures"] == 0
    assert seen["images"] == page.read_text(encoding="utf-8").count("<img ") == 11
    assert seen["scrollers"] == 0, "what scrolls sideways is reached with the keyboard"


def test_page_prints(page: Path, chromium: str, tmp_path: Path) -> None:
    target = tmp_path / "report.pdf"
    chrome(
        chromium, tmp_path / "profile", f"--print-to-pdf={target}", "--no-pdf-header-footer", page.as_uri()
    )
    printed = target.read_bytes()
    assert printed.startswith(b"%PDF-")
    assert 3 <= len(re.findall(rb"/Type\s*/Page\b", printed)) <= 25
