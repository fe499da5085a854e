"""Templates to one page that needs nothing else: no network, no script, escaped throughout."""

from __future__ import annotations

import base64
import hashlib
from collections.abc import Callable, Mapping
from typing import Any

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

POLICY = (
    "default-src 'none'; img-src data:; style-src 'sha256-{style}'; base-uri 'none'; "
    "form-action 'none'"
)
"""Content security policy: nothing is fetched or run, only this page's own style applies."""


def render(name: str, context: Mapping[str, Any], *, conceal: Callable[[str], str]) -> str:
    """Return the template called `name` filled in.

    Parameters
    ----------
    context
        The template's variables.
    conceal
        Applied to every text before it is escaped and written.
    """

    def finalize(value: Any) -> Any:
        if isinstance(value, str) and not isinstance(value, Markup):
            return conceal(value)
        return value

    loader = PackageLoader("analysis.report", "templates")
    environment = Environment(
        loader=loader,
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        finalize=finalize,
    )
    style = loader.get_source(environment, "report.css")[0]
    digest = base64.b64encode(hashlib.sha256(style.encode()).digest()).decode("ascii")
    return environment.get_template(name).render(
        **context,
        # The hash covers the style exactly as it stands between its tags.
        style=Markup(style),
        policy=POLICY.format(style=digest),
    )
