"""Pages from the templates of a package, every text escaped by default."""

from __future__ import annotations

import base64
import hashlib
import re
from typing import Any

_POLICY = "@content-security-policy@"
_SCRIPT = re.compile(r"<script>(.*?)</script>", re.DOTALL)


def render_template(package: str, name: str, **context: Any) -> str:
    """Return a template of a package, filled in; a name that the context lacks is an error.

    A page with the meta element ``content="@content-security-policy@"`` gets a policy that allows its own scripts by
    their hashes, its own styles and pictures, and nothing from elsewhere.
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
    return page.replace(_POLICY, _policy(page), 1) if _POLICY in page else page


def _policy(page: str) -> str:
    digests = [hashlib.sha256(text.encode("utf-8")).digest() for text in _SCRIPT.findall(page)]
    scripts = dict.fromkeys(f"'sha256-{base64.b64encode(one).decode('ascii')}'" for one in digests)
    allowed = " ".join(scripts) or "'none'"
    return (
        f"default-src 'none'; img-src data:; style-src 'unsafe-inline'; script-src {allowed}; base-uri 'none'; "
        "form-action 'none'"
    )
