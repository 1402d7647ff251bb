"""The manual as one page for browsers: beside the report, and at the desk."""

from __future__ import annotations

from functools import cache

from photoaz.present.frame import inlined, rendered
from photoaz.present.manual import SUBJECTS, body_html, title


@cache
def manual_html(stylesheet: str | None = None) -> str:
    """All pages of the manual as one HTML document, which needs no network.

    Parameters
    ----------
    stylesheet : address of `report.css`; where None the style is in the document, which then needs nothing else.
    """
    pages = [(subject, title(subject), body_html(subject)) for subject in SUBJECTS]
    own = inlined("report.css") if stylesheet is None else None
    return rendered("manual.html", pages=pages, stylesheet=stylesheet, inlined=own)
