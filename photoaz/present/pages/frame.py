"""What the report's pages have in common: templates, and the style, script and policy that a page carries in itself."""

from __future__ import annotations

import base64
import functools
import hashlib
from dataclasses import dataclass
from importlib import resources
from typing import Any

import jinja2
from markupsafe import Markup

from photoaz.present.words import UNKNOWN, clean


@dataclass(frozen=True, slots=True, kw_only=True)
class Inlined:
    """A page's own style and script, and the policy that lets the page do nothing but them."""

    css: Markup
    js: Markup
    policy: str


def _shown(value: Any) -> Any:
    """What an expression of a template shows."""
    if value is None:
        return UNKNOWN
    if isinstance(value, str) and not isinstance(value, Markup):
        return clean(value)
    return value


@functools.cache
def environment() -> jinja2.Environment:
    """The templates."""
    return jinja2.Environment(
        loader=jinja2.PackageLoader("photoaz.present.pages", "templates"),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        finalize=_shown,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
    )


@functools.cache
def inlined(script: str | None = None) -> Inlined:
    """The style of all pages, and one of the scripts beside it in `assets`; no script where None."""
    css = asset("report.css")
    js = "" if script is None else asset(script)
    # nothing from elsewhere, and no style or script but these two: not even one that got in by a register's text
    policy = (
        f"default-src 'none'; img-src 'self' file: data:; style-src {_hash(css)}; script-src {_hash(js)}; "
        "base-uri 'none'; form-action 'none'"
    )
    return Inlined(css=Markup(css), js=Markup(js), policy=policy)


def asset(name: str) -> str:
    """The text of a file of `assets`."""
    return (resources.files("photoaz.present.pages") / "assets" / name).read_text(encoding="utf-8")


def _hash(text: str) -> str:
    digest = hashlib.sha256(text.encode("utf-8")).digest()
    return f"'sha256-{base64.b64encode(digest).decode('ascii')}'"
