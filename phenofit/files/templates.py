"""Pages from the templates of a package, every text escaped by default."""

from __future__ import annotations

from typing import Any


def render_template(package: str, name: str, **context: Any) -> str:
    """Return a template of a package, filled in; a name that the context lacks is an error."""
    from jinja2 import Environment, PackageLoader, StrictUndefined

    environment = Environment(
        loader=PackageLoader(package, "templates"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    return environment.get_template(name).render(**context)
