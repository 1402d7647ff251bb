"""What pages and sheets have in common: templates, and the style, script and policy that each carries in itself."""

from __future__ import annotations

import base64
import functools
import hashlib
from dataclasses import dataclass
from importlib import resources
from typing import Any

import jinja2
from markupsafe import Markup

from photoaz import __version__
from photoaz.judgement.reasons import in_words
from photoaz.present import figures, words
from photoaz.present.todo import merged


@dataclass(frozen=True, slots=True, kw_only=True)
class Inlined:
    """A page's own style and script, and the policy that lets the page do nothing but them."""

    css: Markup
    js: Markup
    policy: str


def _shown(value: Any) -> Any:
    """What an expression of a template shows."""
    if value is None:
        return words.UNKNOWN
    if isinstance(value, str) and not isinstance(value, Markup):
        return words.clean(value)
    return value


@functools.cache
def environment() -> jinja2.Environment:
    """The templates; in all of them `words` and `say` (figures) are modules of photoaz.present."""
    env = jinja2.Environment(
        loader=jinja2.PackageLoader("photoaz.present"),
        autoescape=lambda name: name is None or not name.endswith(".txt"),
        undefined=jinja2.StrictUndefined,
        finalize=_shown,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
    )
    env.globals |= {"words": words, "say": figures, "version": __version__}
    env.globals |= {"merged": merged}
    env.filters |= {"shortened": words.shortened, "as_sentence": words.as_sentence, "in_words": in_words}
    return env


def rendered(template: str, **shown: Any) -> str:
    """A template's text with these values in it."""
    return environment().get_template(template).render(**shown)


@functools.cache
def inlined(*styles: str, script: str | None = None) -> Inlined:
    """Styles and one of the scripts of `assets`; no script where None."""
    css, js = "".join(map(asset, styles)), "" if script is None else asset(script)
    # nothing from elsewhere, and no style or script but these two: not even one that got in by a register's text
    policy = (
        f"default-src 'none'; img-src 'self' file: data:; style-src {source_hash(css)}; script-src {source_hash(js)}; "
        "base-uri 'none'; form-action 'none'"
    )
    return Inlined(css=Markup(css), js=Markup(js), policy=policy)


def asset(name: str) -> str:
    """The text of a file of `assets`."""
    return (resources.files("photoaz.present") / "assets" / name).read_text(encoding="utf-8")


def source_hash(text: str) -> str:
    """What a policy calls a style or a script that stands in the page."""
    digest = hashlib.sha256(text.encode("utf-8")).digest()
    return f"'sha256-{base64.b64encode(digest).decode('ascii')}'"
