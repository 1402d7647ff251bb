"""A site's result as a notebook shows it: a table of its antennas and the plan, as one piece of HTML."""

from __future__ import annotations

import hashlib
import re

from markupsafe import Markup

from photoaz.present.figures import site_plan
from photoaz.present.frame import asset, rendered
from photoaz.result import SiteResult

#: the notebook's own colour of text serves on light and on dark ground; the others are told from both
_ON_ANY_GROUND = (("#191919", "currentColor"), ("#444", "currentColor"), ("#555", "#888"), ("#00674b", "#009e73"))


def site_html(result: SiteResult) -> str:
    """A fragment of HTML that needs nothing else and keeps its style to itself; it reads on light and on dark ground.

    The decision in a sentence, a row for each antenna (azimuth with its U95, reading and verdict, design and decision,
    what to do), and the plan. Antennas that nothing is known of say so.

    Examples
    --------
    >>> import photoaz
    >>> result = photoaz.SiteResult(site_id="HNT-204", lat_deg=46.6, lon_deg=-66.4)
    >>> "HNT-204" in photoaz.site_html(result)
    True
    """
    ident = hashlib.sha256(result.site_id.encode("utf-8", "surrogatepass")).hexdigest()[:8]
    return rendered(
        "notebook.html",
        css=Markup(_scoped(asset("drawing.css") + asset("notebook.css"))),
        site=result,
        todo={} if result.revisit is None else {i.antenna_id: i.instruction for i in result.revisit.antennas},
        plan=Markup(site_plan(result, f"site-{ident}")),
    )


def _scoped(css: str) -> str:
    """The rules for what lies within the fragment alone, in colours for any ground, without rims round letters."""
    for given, wanted in _ON_ANY_GROUND:
        css = css.replace(given, wanted)
    css = css.replace("stroke: #fff", "stroke: none")

    def within(rule: re.Match[str]) -> str:
        return ", ".join(f".photoaz-site {one.strip()}" for one in rule[1].split(",")) + " {"

    return re.sub(r"^([^{}\n]+?)\s*\{", within, css, flags=re.MULTILINE)
