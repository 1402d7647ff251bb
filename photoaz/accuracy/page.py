"""The accuracy page: tallies as Markdown tables, with bars of text for what was stated and what came true."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date

import numpy as np

from photoaz.accuracy import tallies
from photoaz.accuracy.draw import CONDITIONS, WITH_BLUNDERS
from photoaz.accuracy.rendered import RenderedAntenna, RenderedPhoto
from photoaz.accuracy.tallies import Coverage, Share
from photoaz.accuracy.trial import DESIGNS, Outcome

_BAR = 20


@dataclass(frozen=True, slots=True, kw_only=True)
class Made:
    """How a page was made: day, version, seed, seconds that drawing and solving took, processes."""

    day: date
    version: str
    seed: int
    seconds: float
    jobs: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Rendered:
    """What rendered photos gave; empty where they were not asked for or are not there."""

    sample: tuple[RenderedAntenna, ...] = ()
    sample_photos: tuple[RenderedPhoto, ...] = ()
    practice: tuple[RenderedAntenna, ...] = ()


_HEAD = """\
# Are the stated figures true?

Made on {day} by `python -m photoaz.accuracy --sites {sites} --seed {seed}` of version {version}: {antennas} estimates,
{minutes} minutes with {jobs}.

Sites, antennas, photos and errors are drawn at random, without pictures. What a picture would have given, the outlines
of antennas, is drawn from the information that a fit has of them. Each is stated to be right with a probability, spread
by width and view as the found panels of the rendered heads of `vision/training/MODEL_CARD.md` are; it is wrong as often
as that says. Each panel is also seen turned, as far off its outline as those of those heads were, by p_right; where the
outline is wrong, the truth lies about that turn, again as with them. Half of them fit in a second, false way. How
antennas hang, which compasses are disturbed, what goes wrong with readings, which sites are built to a wrong north is
drawn from the defaults of the priors, as the package believes. From there on all is the package's own: adjustment, the
posterior, tests, judgement. Half the sites have all errors as stated; a quarter has GNSS errors three times as large as
stated, one time in ten; a quarter has those and 5 % blunders: of the right outlines so many are wrong all the same,
landmarks are something else, standpoints are 15 to 150 m off. So this page tests whether the figures follow from what
is said of the errors, not whether that is said rightly: for this see the rendered photos at the end and that card.
Names are not drawn: which panel is which antenna is always known here.

Columns: `n` cases; what was stated, on average; what came true, with the interval that this leaves for the true share
(99.9 %; cases of one site are not counted as independent). **!** marks a statement outside of it; all others lie in it.

## What is out of line

@odd@

## Azimuths: does U95 hold the truth in 95 of 100 cases?

Score: the mean interval score of the 95 % interval (Gneiting and Raftery 2007, eq. 43), 2 U95 + 40 max(0, error - U95),
the smaller the better. Spread: 1.4826 times the median of errors over the standard uncertainty of the azimuth told if
it is the true one; 1 where errors are normal and no outline is wrong, somewhat more otherwise.

| | n | median error | median U95 | score | spread | held | interval | |
|---|---:|---:|---:|---:|---:|---:|---|---|"""


class _Writer:
    """The page's lines, and what is out of line in them."""

    def __init__(self) -> None:
        self.lines: list[str] = []
        self.odd: list[tuple[str, Share]] = []

    def coverages(self, group: str, rows: Sequence[Coverage], what: str) -> None:
        self.lines.append(f"| *{group}* | | | | | | | | |")
        for r in rows:
            self.lines.append(_coverage_row(r))
            if r.held.out_of_line:
                self.odd.append((what, r.held))

    def shares(self, title: str, head: str, some: Sequence[Share], *, expected: bool = True) -> None:
        """A table. expected: what is stated is to come true."""
        self.lines += ["", f"{title}", ""] if title else [""]
        self.lines += _share_table(head, some, expected=expected)
        if expected:
            short = (title or head).partition(";")[0].partition(" (")[0]
            self.odd += [(short, s) for s in some if s.out_of_line]


def page(outcomes: Sequence[Outcome], made: Made, rendered: Rendered, remarks: str = "") -> str:
    """The page. remarks: what a person has to say of what is out of line, Markdown."""
    out = _Writer()
    told = {
        "day": made.day.isoformat(),
        "version": made.version,
        "sites": len(outcomes),
        "seed": made.seed,
        "antennas": sum(len(o.antennas) for o in outcomes),
        "minutes": f"{made.seconds / 60.0:.0f}",
        "jobs": "one process" if made.jobs == 1 else f"{made.jobs} processes",
    }
    # a paragraph is a line: the page is to be short
    paragraphs = _HEAD.format(**told).split("\n\n")
    out.lines += "\n\n".join(x if x.startswith("|") else x.replace("\n", " ") for x in paragraphs).split("\n")
    for group, rows in tallies.coverages(outcomes):
        out.coverages(group, rows, f"U95 of azimuths, {group}")
    out.coverages("as stated: other figures", tallies.other_coverages(outcomes), "U95 of other figures")
    _probabilities(out, outcomes)
    _decisions(out, outcomes)
    out.lines += ["", "## Tests of single observations"]
    out.shares(
        "False alarms: right observations left out, at sites without a wrong outline; stated: the tests' level, which "
        "the search for the worst uses again and again",
        "observation",
        tallies.false_alarms(outcomes, wrong_outlines=False),
    )
    out.shares(
        "The same at sites with a wrong outline, which the tests take for right: more may be left out",
        "observation",
        tallies.false_alarms(outcomes, wrong_outlines=True),
        expected=False,
    )
    out.shares("Blunders named, by the power that the test has against each", "blunder", tallies.detections(outcomes))
    first, second = tallies.turns(outcomes)
    out.lines += ["", "## Turns between two visits (no blunders)"]
    out.shares("", "two visits", first)
    out.shares("Antennas that turned: said to have, by the turn over the change's U95", "turn", second, expected=False)
    out.lines += _rendered(rendered)
    text = "\n".join(out.lines) + "\n"
    return text.replace("@odd@", _odd(out.odd, remarks))


def _probabilities(out: _Writer, outcomes: Sequence[Outcome]) -> None:
    stated = "probability stated"
    out.lines += [
        "",
        "## Probabilities",
        "",
        "Each bar: what came true; `|` what was stated. All as stated, but where said.",
    ]
    out.shares("Outlines being right, by all photos of the site", stated, tallies.of_outlines(outcomes))
    out.shares(
        f"Outlines being right, {WITH_BLUNDERS.name}; by all photos of the site",
        stated,
        tallies.of_outlines(outcomes, WITH_BLUNDERS.name),
    )
    out.shares("Azimuths that the photos allow, of antennas with more than one", stated, tallies.of_ways(outcomes))
    out.shares("Compasses being disturbed", stated, tallies.of_compasses(outcomes))
    out.shares("Out of tolerance, by all that is known: the register's designs", stated, tallies.of_designs(outcomes))
    out.shares(
        f"Out of tolerance, by the photos alone: {DESIGNS} designs laid about each estimate, whatever its error",
        stated,
        tallies.of_laid_designs(outcomes),
    )
    out.shares(
        "Out of tolerance, by the photos alone: the register's designs. These need not come true as stated: photos "
        "alone take all designs for equally probable, and of drawn antennas most hang as designed: fewer are out",
        stated,
        tallies.of_designs_by_photos(outcomes),
        expected=False,
    )
    out.shares("Readings being right, by all that is known", stated, tallies.of_readings(outcomes))
    out.shares("Whole sites built off by one angle (no blunders)", stated, tallies.of_sites(outcomes))


def _decisions(out: _Writer, outcomes: Sequence[Outcome]) -> None:
    left = ", ".join(f"{c.name} {100.0 * tallies.decided_share(outcomes, c.name):.0f} %" for c in CONDITIONS)
    out.lines += ["", "## Decisions at a risk of 5 %"]
    out.shares(
        f"Of the register's designs; decided are: {left}; stated: the mean probability that the decision is wrong",
        "decision",
        tallies.decisions(outcomes),
    )


def _odd(odd: Sequence[tuple[str, Share]], remarks: str) -> str:
    if not odd:
        said = "Nothing: every statement below lies within its interval."
    else:
        said = "\n".join(
            f"- {title}, {s.name}: stated {_percent(s.stated)}, came true {_percent(s.observed)} "
            f"({_percent(s.low)} to {_percent(s.high)}), n {s.n}"
            for title, s in odd
        )
    return f"{said}\n\n{remarks.strip()}" if remarks.strip() else said


def _coverage_row(r: Coverage) -> str:
    h = r.held
    if h.n == 0:
        return f"| {h.name} | 0 | | | | | | | |"
    mark = " **!**" if h.out_of_line else ""
    within = f"{_percent(h.low)} to {_percent(h.high)}"
    return (
        f"| {h.name} | {h.n} | {r.median_error_deg:.2f}° | {r.median_u95_deg:.2f}° | {r.score_deg:.1f}° | "
        f"{r.spread:.2f} | {_percent(h.observed)}{mark} | {within} | {_bar(h.observed, 0.95, low=0.8)} |"
    )


def _share_table(head: str, some: Iterable[Share], *, expected: bool) -> list[str]:
    rows = [s for s in some if s.n]
    with_stated = any(math.isfinite(s.stated) for s in rows)
    out = [
        f"| {head} | n |{' stated |' if with_stated else ''} came true | interval | |",
        f"|---|---:|{'---:|' if with_stated else ''}---:|---|---|",
    ]
    for s in rows:
        mark = " **!**" if expected and s.out_of_line else ""
        told = f" {_percent(s.stated)} |" if with_stated else ""
        within = f"{_percent(s.low)} to {_percent(s.high)}"
        out.append(
            f"| {s.name} | {s.n} |{told} {_percent(s.observed)}{mark} | {within} | {_bar(s.observed, s.stated)} |"
        )
    return out


def _percent(p: float) -> str:
    if not math.isfinite(p):
        return ""
    p = p if p > 1e-6 else 0.0
    return f"{100.0 * p:.2g} %" if p < 0.01 else f"{100.0 * p:.1f} %"


def _bar(observed: float, stated: float, low: float = 0.0) -> str:
    """A bar of what came true from `low` to 1, with a mark where what was stated lies."""

    def at(p: float) -> int:
        return int(np.clip(round((p - low) / (1.0 - low) * _BAR), 0, _BAR))

    cells = ["█" if k < at(observed) else "·" for k in range(_BAR)]
    if math.isfinite(stated):
        cells.insert(at(stated), "❘")
    return "`" + "".join(cells) + "`"


def _rendered(r: Rendered) -> list[str]:
    out = ["", "## Rendered photos with known truth", ""]
    if r.sample:
        out += [
            "The sample site, as the demo solves it (nine photos, one landmark and its other controls, no picks):",
            "",
            "| antenna | azimuth | error | U95 | downtilt error | U95 |",
            "|---|---:|---:|---:|---:|---:|",
        ]
        out += [
            f"| {a.antenna} | {a.azimuth_deg:.1f}° | {a.error_deg:+.2f}° | {a.u95_deg:.2f}° | "
            f"{a.downtilt_error_deg:+.2f}° | {a.downtilt_u95_deg:.2f}° |"
            for a in r.sample
        ]
        inside = sum(abs(p.error_deg) <= p.u95_deg for p in r.sample_photos)
        out += ["", f"Headings of {inside} of its {len(r.sample_photos)} photos lie within their U95."]
    if r.practice:
        error = np.abs([a.error_deg for a in r.practice])
        u95 = np.array([a.u95_deg for a in r.practice])
        cases = len({a.case for a in r.practice})
        sure = np.array([a.status == "estimated" for a in r.practice])
        out += [
            "",
            f"Practice photos, {cases} rendered sites, nothing but what their metadata say (phone compass, GNSS):",
            "",
            "| | n | median error | median U95 | held | largest error over U95 |",
            "|---|---:|---:|---:|---:|---:|",
        ]
        for name, keep in (("all", np.ones(len(error), bool)), ("not ambiguous", sure), ("ambiguous", ~sure)):
            if keep.any():
                e, u = error[keep], u95[keep]
                held = _percent(float((e <= u).mean()))
                middle = f"{np.median(e):.2f}° | {np.median(u):.2f}°"
                out.append(f"| {name} | {len(e)} | {middle} | {held} | {(e / u).max():.2f} |")
    if not r.sample and not r.practice:
        out.append("Not asked for.")
    return out
