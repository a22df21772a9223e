"""Pages from the templates of a package, every text escaped by default."""

from __future__ import annotations

import base64
import hashlib
import re
from typing import Any

_NO_POLICY = '<meta http-equiv="Content-Security-Policy" content="">'
_INLINE = {"style": r"<style>(.*?)</style>", "script": r"<script>(.*?)</script>"}


def render_template(package: str, name: str, **context: Any) -> str:
    """Return a template of a package, filled in; a name that the context lacks is an error.

    A content security policy that the template leaves empty is filled in: only the page's own inline
    styles and scripts may run, each known by its hash, and nothing may be fetched.
    """
    from jinja2 import Environment, PackageLoader, StrictUndefined

    environment = Environment(
        loader=PackageLoader(package, "templates"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    page = environment.get_template(name).render(**context)
    return page.replace(_NO_POLICY, _NO_POLICY.replace('""', f'"{_policy(page)}"'), 1)


def _policy(page: str) -> str:
    """Return the policy of a page; styles and scripts with attributes are not allowed."""
    parts = ["default-src 'none'", "img-src data:"]
    for kind, pattern in _INLINE.items():
        texts = dict.fromkeys(re.findall(pattern, page, flags=re.DOTALL))
        digests = [base64.b64encode(hashlib.sha256(text.encode()).digest()).decode() for text in texts]
        allowed = " ".join(f"'sha256-{digest}'" for digest in digests)
        parts.append(f"{kind}-src " + (allowed or "'none'"))
    return "; ".join(parts)
