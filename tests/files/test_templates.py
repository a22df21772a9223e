"""The content security policy of a page, against hashes computed here."""

from __future__ import annotations

import base64
import hashlib
from pathlib import Path

import pytest

from phenofit.files.templates import render_template

PAGE = """<!DOCTYPE html>
<meta http-equiv="Content-Security-Policy" content="">
<style>p { color: red; }</style>
<script type="application/json">{"a": 1}</script>
<script>
const a = 1;
</script>
<p>{{ text }}</p>
"""


def _digest(text: str) -> str:
    return f"'sha256-{base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()}'"


def _rendered(folder: Path, monkeypatch: pytest.MonkeyPatch, page: str, **context: str) -> str:
    package = folder / "house"
    (package / "templates").mkdir(parents=True)
    (package / "__init__.py").write_text("", encoding="utf-8")
    (package / "templates" / "page.html").write_text(page, encoding="utf-8")
    monkeypatch.syspath_prepend(str(folder))
    return render_template("house", "page.html", **context)


def test_policy_names_the_own_styles_and_scripts_by_hash(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    page = _rendered(tmp_path, monkeypatch, PAGE, text="<script>alert(1)</script>")
    policy = page.split('Content-Security-Policy" content="')[1].split('"')[0]
    assert policy == (
        f"default-src 'none'; img-src data:; style-src {_digest('p { color: red; }')}; "
        f"script-src {_digest(chr(10) + 'const a = 1;' + chr(10))}"
    )
