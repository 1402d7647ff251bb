"""The results as text for people: a table of the antennas, then what the figures rest on."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from rich import box
from rich.console import Console, Group, RenderableType
from rich.measure import Measurement
from rich.table import Table
from rich.text import Text

from photoaz.angles import format_azimuth_deg, format_difference_deg, format_u95_deg
from photoaz.judgement.reasons import priors_sentence
from photoaz.judgement.standing import design_standing, tally_of
from photoaz.present.figures import STATUS, declination_text, design_text, en_text, reading_text
from photoaz.present.names import unsure
from photoaz.present.terminal import paragraph, text_of
from photoaz.present.words import DESIGN_WORDS, UNKNOWN, before_you_go, designs_text, probability, readings_text
from photoaz.result import AntennaResult, SiteResult
from photoaz.wording import percent, share

#: how a design stands, beside its tolerance, and in which style
_SHORT = {code: word.removesuffix(" of tolerance").removesuffix(" tolerance") for code, word in DESIGN_WORDS.items()}
_SHORT["out"] = "OUT"
_DECISION_STYLES = {"within": "green", "OUT": "bold red", "undecided": "yellow", "not measured": "yellow"}


@dataclass(frozen=True, slots=True, kw_only=True)
class _Row:
    """One antenna's cells, in words."""

    antenna: str
    azimuth: str
    views: str
    reading: str = UNKNOWN
    difference: str = ""
    en: str = ""
    agrees: str = ""
    design: str = UNKNOWN
    deviation: str = ""
    decision: str = ""
    out: str = ""
    limit: str = UNKNOWN


def print_site(result: SiteResult, console: Console, *, explain: bool = True, to_do: bool = True) -> None:
    """Print a site for people, laid out for the width of `console` without cutting a figure short.

    explain: with the reasons, the photos and what the figures rest on; else what was found and what to do, the latter
    unless it was said before (to_do).
    """
    rows = [_row(antenna) for antenna in result.antennas]
    parts: list[RenderableType] = [Text(f"Site {result.site_id}", style="bold"), _declination(result)]
    if not _any_used(result):
        text = "No photo could be used, so that nothing is said of this site's antennas."
        parts, rows = [parts[0], Text(paragraph(text, console.width))], []
    else:
        parts += [_antennas(rows, console), _tallies(result, console.width)]
    parts.append(_below(result, rows, console.width, explain=explain, to_do=to_do))
    console.print(Group(*parts), highlight=False)


def _any_used(result: SiteResult) -> bool:
    """Whether the result rests on a photo, or on none because none was given."""
    return not result.photos or any(photo.status == "used" for photo in result.photos)


def _views(antenna: AntennaResult) -> str:
    """'face' for one view, '2 face, 1 rear' for several, the rest only counted; and whether the name is sure."""
    views = [view.view for view in antenna.evidence]
    if len(views) == 1:
        said: str = views[0]
    else:
        kinds = sorted(dict.fromkeys(views), key=views.count, reverse=True)
        shown = kinds if len(kinds) < 3 else kinds[:1]
        rest = len(views) - sum(views.count(view) for view in shown)
        said = (
            ", ".join([f"{views.count(view)} {view}" for view in shown] + ([f"{rest} more"] if rest else [])) or UNKNOWN
        )
    doubtful = bool(antenna.evidence) and all(unsure(view) for view in antenna.evidence)
    return f"{said}, name unsure" if doubtful else said


def _row(antenna: AntennaResult) -> _Row:
    reading, design = antenna.reading, antenna.design
    cells = {"reading": reading_text(reading), "design": design_text(design)}
    if antenna.azimuth_true_deg is None:
        cells["azimuth"] = STATUS[antenna.status].replace(", ", ",\n")
    else:
        cells["azimuth"] = format_azimuth_deg(antenna.azimuth_true_deg, antenna.u95_deg)
    if reading is not None and reading.difference_deg is not None and reading.en is not None:
        cells["difference"] = format_difference_deg(reading.difference_deg)
        cells["en"] = en_text(reading.en)
        cells["agrees"] = "yes" if reading.agrees else "NO"
    if design.deviation_deg is not None:
        cells["deviation"] = format_difference_deg(design.deviation_deg)
        cells["decision"] = _SHORT[design_standing(antenna)]
        both, alone = probability(design.p_out_of_tolerance), probability(design.p_out_photos_alone)
        cells["out"] = both if both == alone else f"{both} ({alone})"
    return _Row(antenna=antenna.antenna_id, views=_views(antenna), limit=_limit(antenna), **cells)


def _limit(antenna: AntennaResult) -> str:
    largest = max(antenna.budget, key=lambda share: share.share, default=None)
    if largest is None:
        return UNKNOWN
    return f"{largest.source}\n{share(largest.share)}, ± {format_u95_deg(largest.u95_deg)}"


def _antennas(rows: list[_Row], console: Console) -> RenderableType:
    unlimited = console.options.update(max_width=10_000)
    for layout in (_wide, _stacked):
        table = layout(rows)
        for column in table.columns:
            if column.no_wrap:  # rich would shorten such a cell to make it fit
                column.min_width = max(Measurement.get(console, unlimited, cell).maximum for cell in column.cells)
        if Measurement.get(console, unlimited, table).minimum <= console.width:
            return table
    return _listed(rows, console.width)


def _table(*columns: tuple[str, bool]) -> Table:
    """A table; per column its heading and whether it holds figures, which are never broken or cut."""
    table = Table(box=box.SIMPLE_HEAD, pad_edge=False, padding=(0, 1), show_edge=False)
    for heading, figures in columns:
        table.add_column(heading, no_wrap=figures, overflow="fold", vertical="top", min_width=None if figures else 10)
    return table


#: of the widest table: heading, whether it holds figures, and what is in a cell
_COLUMNS: tuple[tuple[str, bool, Callable[[_Row], Text | str]], ...] = (
    ("antenna", True, lambda r: Text(r.antenna)),
    ("azimuth ± U95", True, lambda r: Text(r.azimuth, style="bold")),
    ("view", True, lambda r: r.views),
    ("reading (true)", True, lambda r: r.reading),
    ("differs", True, lambda r: r.difference),
    ("En", True, lambda r: r.en),
    ("agrees", True, lambda r: _agrees(r.agrees)),
    ("design", True, lambda r: r.design),
    ("deviation", True, lambda r: r.deviation),
    ("decision", True, lambda r: _decision(r.decision).append(f"\nout {r.out}" if r.out else "", style="not bold")),
    ("limited by", False, lambda r: Text(r.limit.replace("\n", " "))),
)


def _wide(rows: list[_Row]) -> Table:
    table = _table(*((heading, figures) for heading, figures, _ in _COLUMNS))
    table.columns[-1].min_width = 20
    for r in rows:
        table.add_row(*(cell(r) for *_, cell in _COLUMNS))
    return table


def _stacked(rows: list[_Row]) -> Table:
    table = _table(("antenna", True), ("azimuth ± U95", True), ("reading (true)", True), ("design", True))
    table.add_column("limited by", overflow="fold", min_width=12)
    for r in rows:
        reading, design = Text(r.reading), Text(r.design)
        if r.difference:
            reading.append(f"\n{r.difference}, En {r.en}\n").append_text(_agrees(r.agrees, long=True))
        if r.deviation:
            design.append(f"\n{r.deviation}")
        if r.decision:
            design.append("\n").append_text(_decision(r.decision))
        if r.out:
            design.append(f"\nout {r.out}".replace(" (", "\n("))
        table.add_row(
            Text(r.antenna),
            Text(r.azimuth, style="bold").append(f"\n{r.views}", style="not bold"),
            reading,
            design,
            Text(r.limit),
        )
    table.leading = 1
    return table


def _listed(rows: list[_Row], width: int) -> RenderableType:
    """For terminals too narrow for a table."""
    parts: list[RenderableType] = []
    for r in rows:
        reading = f"{r.reading}, differs {r.difference}, En {r.en}, agrees: {r.agrees}" if r.difference else r.reading
        out = f"out {r.out}" if r.out else ""
        design = ", ".join(part for part in (r.design, r.deviation, r.decision, out) if part)
        parts.append(Text(r.antenna, style="bold"))
        for label, text in (
            ("azimuth", r.azimuth),
            ("view", r.views),
            ("reading", reading),
            ("design", design),
            ("limit", r.limit.replace("\n", " ")),
        ):
            parts.append(Text(paragraph(f"{label}: {text}", width, 2)))
    return Group(*parts)


def _agrees(word: str, *, long: bool = False) -> Text:
    said = {"yes": "agrees", "NO": "DISAGREES"}.get(word, word) if long else word
    return Text(said, style="bold red" if word == "NO" else "")


def _decision(word: str) -> Text:
    return Text(word, style=_DECISION_STYLES.get(word, ""))


def _declination(result: SiteResult) -> Text:
    days = [photo.taken for photo in result.photos if photo.taken is not None]
    used, when = "", ""
    if result.declination_deg is not None:
        used, when = " used", f" on {min(days):%Y-%m-%d}" if days else ""
    return Text(f"Azimuths from true north. Magnetic declination{used}: {declination_text(result)}{when}.")


def _tallies(result: SiteResult, width: int) -> Text:
    """Readings and designs, counted apart."""
    tally = tally_of(result.antennas)
    lines = (f"readings: {readings_text(tally)}", f"designs: {designs_text(tally)}")
    return Text("\n".join(["", *(paragraph(line, width, 0, 2) for line in lines)]))


def _below(result: SiteResult, rows: list[_Row], width: int, *, explain: bool, to_do: bool) -> Text:
    """What the figures rest on, in paragraphs."""
    of_site = [
        f"Readings: {result.common_mode.sentence}" if explain and result.common_mode is not None else None,
        None if result.causes is None else result.causes.sentence,
        f"Next: {result.next_evidence.sentence}." if explain and result.next_evidence is not None else None,
        None if result.priors is None else priors_sentence(result.priors),
        *(f"Weak: {sentence}." for sentence in result.weak_points if explain),
    ]
    return text_of(
        "site.txt",
        site=result,
        width=width,
        explain=explain,
        to_do=to_do,
        before=before_you_go(result.revisit, result.next_evidence if explain else None),
        any_used=_any_used(result),
        any_en=any(r.en for r in rows),
        any_out=any(r.out for r in rows),
        of_site=[line for line in of_site if line is not None],
        reasons=_reasons(result) if _any_used(result) else [],
    )


def _reasons(result: SiteResult) -> list[tuple[list[str], bool, tuple[str, ...]]]:
    """Antennas that the same is said of, as of those that do not show; whether one is to be visited; what is said."""
    alike: dict[tuple[str, ...], list[str]] = {}
    single = len(result.photos) == 1
    for antenna in result.antennas:
        allowed = [
            f"The photos allow {format_azimuth_deg(other.azimuth_true_deg, other.u95_deg)} as well, "
            f"with a probability of {percent(other.probability)}."
            for other in antenna.alternatives
        ]
        lines = (*allowed, *_said(antenna, single), *antenna.reasons[len(antenna.remarks) :])
        if lines:
            alike.setdefault(lines, []).append(antenna.antenna_id)
    return [(names, any(result.antennas[n].revisit for n in names), lines) for lines, names in alike.items()]


def _said(antenna: AntennaResult, single: bool) -> list[str]:
    """The result's reasons; of an antenna that no photo shows, those of the photos, a line for each status."""
    if antenna.azimuth_true_deg is not None or not antenna.missing:
        return list(antenna.remarks)
    told = {f"{Path(view.photo).name}: {view.reason}" for view in antenna.missing}
    lines = []
    for status in ("not_found", "not_visible"):
        photos: dict[str, list[str]] = {}
        for view in antenna.missing:
            if view.status == status:
                photos.setdefault(view.reason, []).append(Path(view.photo).name)
        if photos:
            why = "; ".join(reason if single else f"{reason} ({', '.join(at)})" for reason, at in photos.items())
            lines.append(f"{status.replace('_', ' ')}: {why}")
    return lines + [reason for reason in antenna.remarks if reason not in told]
