"""The accuracy page: tallies as Markdown tables, with bars of text for what was stated and what came true."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date

import numpy as np

from photoaz.accuracy import tallies
from photoaz.accuracy.draw import AS_STATED
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

Made on {day} by `python -m photoaz.accuracy` of version {version}: {sites} sites drawn with seed {seed},
{antennas} estimates, {minutes} minutes with {jobs} processes.

Sites, antennas, photos and errors are drawn at random, without pictures. What a picture would have given, the outlines
of antennas, is drawn from the information that a fit has of them; a third of them fits in a second, false way. From
there on all is the package's own: adjustment, choice among ways to fit, tests, judgement. A third of the sites has all
errors as stated (compasses are disturbed, which the statement knows of); a third has GNSS errors three times as large
as stated, one time in ten; a third has those and 5 % blunders: outlines on wrong edges, landmarks that are something
else, standpoints 15 to 150 m off. So this page tests whether the figures follow from what is said of the errors, not
whether that is said rightly: for this see the rendered photos at the end.

Columns: `n` cases; what was stated, on average; what came true, with the interval that this leaves for the true share
(99.9 %; cases of one site are not counted as independent). **!** marks a statement outside of it.

## What is out of line

@odd@

## Azimuths: does U95 hold the truth in 95 of 100 cases?

| | n | median error | median U95 | held | interval | |
|---|---:|---:|---:|---:|---|---|"""


def page(outcomes: Sequence[Outcome], made: Made, rendered: Rendered, remarks: str = "") -> str:
    """The page. remarks: what a person has to say of what is out of line, Markdown."""
    out: list[str] = []
    odd: list[tuple[str, Share]] = []

    def shares(title: str, head: str, some: Sequence[Share], *, expected: bool = True) -> None:
        out.extend(["", f"{title}", ""] if title else [""])
        out.extend(_share_table(head, some, expected=expected))
        if expected:
            short = (title or head).partition(";")[0].partition(" (")[0]
            odd.extend((short, s) for s in some if s.out_of_line)

    sites, antennas = len(outcomes), sum(len(o.antennas) for o in outcomes)
    told = {
        "day": made.day.isoformat(),
        "version": made.version,
        "sites": sites,
        "seed": made.seed,
        "antennas": antennas,
        "minutes": f"{made.seconds / 60.0:.0f}",
        "jobs": made.jobs,
    }
    # a paragraph is a line: the page is to be short
    paragraphs = _HEAD.format(**told).split("\n\n")
    out.extend("\n\n".join(x if x.startswith("|") else x.replace("\n", " ") for x in paragraphs).split("\n"))
    for group, rows in tallies.coverages(outcomes):
        out.append(f"| *{group}* | | | | | | |")
        for r in rows:
            out.append(_coverage_row(r))
            if r.held.out_of_line:
                odd.append((f"U95 of azimuths, {group}", r.held))
    out.append("| *as stated: other figures* | | | | | | |")
    for r in tallies.other_coverages(outcomes):
        out.append(_coverage_row(r))
        if r.held.out_of_line:
            odd.append(("U95 of other figures", r.held))
    out += ["", "## Probabilities", "", "Each bar: what came true; `|` what was stated."]
    shares(
        "Ways to fit, of antennas with more than one (all as stated)", "probability stated", tallies.of_ways(outcomes)
    )
    shares("Compasses being disturbed (all as stated)", "probability stated", tallies.of_compasses(outcomes))
    shares(
        f"Out of tolerance (all as stated): {DESIGNS} designs laid about each estimate, whatever its error",
        "probability stated",
        tallies.of_designs(outcomes, AS_STATED.name),
    )
    out += ["", "## Decisions at a risk of 5 %"]
    shares(
        "Of the same designs; stated: the mean probability that the decision is wrong",
        "decision",
        tallies.wrong_decisions(outcomes),
    )
    left = 100.0 * tallies.undecided_share(outcomes)
    shares(
        f"Of the register's own designs; {left:.0f} % of them are left undecided (all as stated); wrong decisions "
        "among all antennas, beside the global risks stated (JCGM 106, 9.5)",
        "decision",
        tallies.global_risks(outcomes),
    )
    out += ["", "## Tests of single observations"]
    shares(
        "False alarms: right observations left out or doubted (all as stated); stated: the tests' level, which the "
        "search for the worst uses again and again",
        "observation",
        tallies.false_alarms(outcomes),
    )
    shares("Blunders named, by the power that the test has against each", "blunder", tallies.detections(outcomes))
    first, second = tallies.turns(outcomes)
    out += ["", "## Turns between two visits (no blunders)"]
    shares("", "two visits", first)
    shares("Antennas that turned: said to have, by the turn over the change's U95", "turn", second, expected=False)
    out += _rendered(rendered)
    text = "\n".join(out) + "\n"
    return text.replace("@odd@", _odd(odd, remarks))


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
        return f"| {h.name} | 0 | | | | | |"
    mark = " **!**" if h.out_of_line else ""
    return (
        f"| {h.name} | {h.n} | {r.median_error_deg:.2f}° | {r.median_u95_deg:.2f}° | {_percent(h.observed)}{mark} | "
        f"{_percent(h.low)} to {_percent(h.high)} | {_bar(h.observed, 0.95, low=0.8)} |"
    )


def _share_table(head: str, some: Iterable[Share], *, expected: bool) -> list[str]:
    stated = " stated |" if expected else ""
    out = [f"| {head} | n |{stated} came true | interval | |", f"|---|---:|{'---:|' if expected else ''}---:|---|---|"]
    for s in some:
        if s.n == 0:
            continue
        mark = " **!**" if expected and s.out_of_line else ""
        told = f" {_percent(s.stated)} |" if expected else ""
        bar = _bar(s.observed, s.stated if expected else math.nan)
        within = f"{_percent(s.low)} to {_percent(s.high)}"
        out.append(f"| {s.name} | {s.n} |{told} {_percent(s.observed)}{mark} | {within} | {bar} |")
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
