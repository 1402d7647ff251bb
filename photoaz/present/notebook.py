"""A site's result as a notebook shows it: a table of its antennas and the plan, as one piece of HTML."""

from __future__ import annotations

import hashlib
import re

from photoaz.present import words
from photoaz.present.figures import (
    VERDICT_NOTE,
    decision_text,
    design_text,
    en_text,
    p_out_text,
    reading_text,
    right_text,
    site_figures,
    verdict,
)
from photoaz.present.paper import DRAWING_CSS
from photoaz.present.standpoints import site_plan
from photoaz.present.words import escaped
from photoaz.result import AntennaResult, SiteResult

_CLASS = "photoaz-site"
#: the notebook's own colour of text serves on light and on dark ground; the others are told from both
_ON_ANY_GROUND = (("#191919", "currentColor"), ("#444", "currentColor"), ("#555", "#888"), ("#00674b", "#009e73"))
_CSS = """
table { border-collapse: collapse; margin: .6em 0; }
th, td { text-align: left; vertical-align: top; padding: .2em 1em .2em 0; border-bottom: 1px solid #8888; }
th { font-weight: bold; }
th, td.n { white-space: nowrap; font-variant-numeric: tabular-nums; }
.aim { fill: #888; fill-opacity: .25; stroke: none; }
svg { display: block; width: 100%; max-width: 36em; height: auto; }
small { opacity: .8; }
"""


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
    todo = {} if result.revisit is None else {i.antenna_id: i.instruction for i in result.revisit.antennas}
    rows = "".join(_row(a, todo.get(a.antenna_id)) for a in result.antennas)
    heads = ("antenna", "azimuth ± U95", "reading", "design", "to do")
    head = "".join(f'<th scope="col">{h}</th>' for h in heads)
    said = " · ".join(f"{name} {text}" for name, text in site_figures(result))
    ident = hashlib.sha256(result.site_id.encode("utf-8", "surrogatepass")).hexdigest()[:8]
    return (
        f'<div class="{_CLASS}"><style>{_scoped(DRAWING_CSS + _CSS)}</style>'
        f"<p><b>{escaped(result.site_id)}</b>: {escaped(words.headline(result.antennas, result.site_id))}<br>"
        f"<small>{escaped(said)}; azimuths from true north, intervals 95 %</small></p>"
        f"<table><thead><tr>{head}</tr></thead><tbody>{rows}</tbody></table>{site_plan(result, f'site-{ident}')}"
        f"<p><small>{escaped(VERDICT_NOTE)} "
        "A second opinion from photos: no ground for work on a structure without a licensed practitioner."
        "</small></p></div>"
    )


def _row(a: AntennaResult, instruction: str | None) -> str:
    reading = escaped(reading_text(a.reading))
    if a.reading is not None and a.reading.difference_deg is not None:
        said = f"{words.signed(a.reading.difference_deg)}, En {en_text(a.reading.en)}: {verdict(a.reading.agrees)}"
        reading += f"<br>{escaped(said)}"
        if right := right_text(a.reading):
            reading += f"<br>right: {escaped(right)}"
    design = escaped(design_text(a.design))
    if a.design.deviation_deg is not None:
        design += f"<br>{escaped(f'{words.signed(a.design.deviation_deg)}, {decision_text(a)}')}"
        design += f"<br>out: {escaped(p_out_text(a.design))}"
    azimuth = words.azimuth(a.azimuth_true_deg, a.u95_deg)
    if a.azimuth_true_deg is None:
        azimuth = words.BY_CODE[words.antenna_state(a)].word
    todo = "" if instruction is None else words.as_sentence(instruction)
    return (
        f'<tr><th scope="row">{escaped(a.antenna_id)}</th><td class="n">{escaped(azimuth)}</td>'
        f'<td class="n">{reading}</td><td class="n">{design}</td><td>{escaped(todo)}</td></tr>'
    )


def _scoped(css: str) -> str:
    """The rules for what lies within the fragment alone, in colours for any ground, without rims round letters."""
    for given, wanted in _ON_ANY_GROUND:
        css = css.replace(given, wanted)
    css = css.replace("stroke: #fff", "stroke: none")

    def within(rule: re.Match[str]) -> str:
        return ", ".join(f".{_CLASS} {one.strip()}" for one in rule[1].split(",")) + " {"

    return re.sub(r"^([^{}\n]+?)\s*\{", within, css, flags=re.MULTILINE)
