"""The manual as one page for browsers: beside the report, and at the desk."""

from __future__ import annotations

from functools import cache

from photoaz.present.manual import SUBJECTS, body_html, title
from photoaz.present.pages.frame import environment, inlined


@cache
def manual_html(stylesheet: str | None = None) -> str:
    """All pages of the manual as one HTML document, which needs no network.

    Parameters
    ----------
    stylesheet : address of `report.css`; where None the style is in the document, which then needs nothing else.
    """
    pages = [(subject, title(subject), body_html(subject)) for subject in SUBJECTS]
    own = inlined() if stylesheet is None else None
    return environment().get_template("manual.html").render(pages=pages, stylesheet=stylesheet, inlined=own)
