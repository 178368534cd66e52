"""HTML from templates: one file each, nothing fetched, and a policy that lets the browser fetch nothing."""

from __future__ import annotations

import base64
import hashlib
from functools import cache
from typing import Any

from jinja2 import Environment, PackageLoader, StrictUndefined

from fieldproc.page import words


def render(template: str, scripts: tuple[str, ...], **context: Any) -> bytes:
    """A page of a template with our style and scripts inline; what else it names is ``context``.

    The policy in its head allows these by their digests, pictures that are part of the page, and nothing else.
    """
    environment = _environment()
    style = _source("page.css")
    inline = [_source(name) for name in scripts]
    sources = " ".join(f"'{_digest(script)}'" for script in inline) or "'none'"
    policy = (
        f"default-src 'none'; img-src data:; style-src '{_digest(style)}'; script-src {sources}; "
        "base-uri 'none'; form-action 'none'"
    )
    page = environment.get_template(template).render(policy=policy, style=style, scripts=inline, **context)
    return page.encode()


@cache
def _environment() -> Environment:
    environment = Environment(
        loader=PackageLoader("fieldproc.page"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
    )
    environment.filters |= {
        "apart": words.apart,
        "holdable": words.holdable,
        "value": words.value_words,
        "interval": words.interval_words,
        "hertz": words.hertz,
        "measure": words.measure,
    }
    return environment


def _source(name: str) -> str:
    environment = _environment()
    assert environment.loader is not None
    return environment.loader.get_source(environment, name)[0]


def _digest(text: str) -> str:
    return f"sha256-{base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()}"
