"""Words of pages, sheets and pictures: states of antennas and sites, views, the spelling of figures, safe text."""

from __future__ import annotations

import hashlib
import html
import math
import re
import tomllib
from collections import Counter
from collections.abc import Callable, Collection, Iterable, Sequence
from dataclasses import dataclass
from importlib import resources
from pathlib import PurePosixPath
from urllib.parse import quote

from markupsafe import Markup

from photoaz.angles import format_angle_deg as deg
from photoaz.angles import format_azimuth_deg, format_difference_deg
from photoaz.judgement.standing import Tally, design_standing
from photoaz.result import AntennaResult, NextEvidence, Revisit, RevisitItem
from photoaz.wording import CAUTIONS as CAUTIONS
from photoaz.wording import before_you_go as _before_you_go
from photoaz.wording import percent, some_of, two_digits
from photoaz.wording import share as share


@dataclass(frozen=True, slots=True, kw_only=True)
class StandingWords:
    """One way in which a reading or a design stands. word: of one; many: of several; what: it means."""

    code: str
    word: str
    many: str
    what: str


@dataclass(frozen=True, slots=True, kw_only=True)
class StateWords:
    """How an antenna or a site stands. code: also the class that gives its colour and shape."""

    code: str
    word: str
    antenna: str
    site: str


_FILE = resources.files("photoaz.present") / "assets" / "standing.toml"
_TOLD = tomllib.loads(_FILE.read_text(encoding="utf-8"))
READINGS = tuple(StandingWords(**one) for one in _TOLD["reading"])
DESIGNS = tuple(StandingWords(**one) for one in _TOLD["design"])
#: why an antenna has no azimuth at all, of those whose design is 'not measured'
UNSEEN = tuple(StandingWords(**one) for one in _TOLD["unseen"])
#: of an antenna, from the worst: a site has the state of its worst antenna
STATES = tuple(StateWords(**one) for one in _TOLD["state"])
BY_CODE = {s.code: s for s in STATES}
READING_WORDS = {w.code: w.word for w in READINGS}
DESIGN_WORDS = {w.code: w.word for w in DESIGNS}
UNSEEN_WORDS = {w.code: w.word for w in UNSEEN}

#: what stands where a figure is not known
UNKNOWN = "–"

#: how an antenna shows in a photo
VIEWS = {"face": "face-on", "oblique": "oblique", "profile": "profile", "rear": "from behind"}


def design_words(antenna: AntennaResult) -> str:
    """'within tolerance'; of an antenna without an azimuth also why: 'not measured: in no photo'."""
    said = DESIGN_WORDS[design_standing(antenna)]
    why = UNSEEN_WORDS.get(antenna.status) if antenna.azimuth_true_deg is None else None
    return said if why is None else f"{said}: {why}"


def readings_text(tally: Tally) -> str:
    """'4 agree, 1 disagrees, 1 no reading'."""
    return ", ".join(readings_counted(tally)) or "none"


def designs_text(tally: Tally) -> str:
    """'4 within tolerance, 2 not measured (1 in no photo, 1 looked for, not found)'."""
    why = "; ".join(f"{tally.unseen[w.code]} {w.word}" for w in UNSEEN if tally.unseen[w.code])
    return (", ".join(designs_counted(tally)) or "none") + (f" ({why})" if why else "")


def readings_counted(tally: Tally) -> list[str]:
    """'4 agree', '1 disagrees': of each kind that there is any of."""
    return _counted(READINGS, tally.readings)


def designs_counted(tally: Tally) -> list[str]:
    """'4 within tolerance', '2 not measured'."""
    return _counted(DESIGNS, tally.designs)


def _counted(kinds: Iterable[StandingWords], counts: Counter[str]) -> list[str]:
    return [f"{n} {w.word if n == 1 else w.many}" for w in kinds if (n := counts[w.code])]


def antenna_state(antenna: AntennaResult) -> str:
    """Code of an antenna's state; what is worst of it decides."""
    standing = design_standing(antenna)
    if standing == "out":
        return "out"
    if disagrees(antenna):
        return "reading"
    if standing == "not_measured":
        return "unseen"
    return "ok" if standing == "within" and antenna.status == "estimated" else "undecided"


def disagrees(antenna: AntennaResult) -> bool:
    """Whether its reading disagrees with the photos."""
    return antenna.reading is not None and antenna.reading.agrees is False


def site_state(codes: Collection[str]) -> str:
    """Code of a site's state: its worst antenna's; 'unseen' without antennas."""
    return next((s.code for s in STATES if s.code in codes), "unseen")


def short_label(antenna_id: str, site_id: str) -> str:
    """An antenna's id without a beginning that repeats the site's: 'A1' of 'HNT-204-A1'."""
    rest = antenna_id[len(site_id) :] if antenna_id.startswith(site_id) else ""
    return rest.lstrip("-_ /.:") or antenna_id


def headline(antennas: Sequence[AntennaResult], site_id: str = "") -> str:
    """The decision about a site in a sentence or two; antennas by what tells them apart at the site."""
    n = len(antennas)
    if not n:
        return "The register has no antenna of this site."
    of: dict[str, list[AntennaResult]] = {}
    for a in antennas:
        of.setdefault(antenna_state(a), []).append(a)
    wrong = [a for a in antennas if disagrees(a)]
    said = []
    if out := of.get("out"):
        names = _named(out, site_id, lambda a: signed(a.design.deviation_deg))
        said.append(f"{len(out)} of {n} antennas {_is(out, 'points', 'point')} out of tolerance: {names}.")
    if wrong:
        names = _named(wrong, site_id, lambda a: f"{magnitude(a.reading.difference_deg if a.reading else None)} apart")
        said.append(f"{len(wrong)} {_is(wrong, 'reading disagrees', 'readings disagree')} with the photos: {names}.")
    if open_ := of.get("undecided"):
        said.append(f"{len(open_)} undecided: {_named(open_, site_id)}.")
    unseen = of.get("unseen", ())
    why = {w.many: [a for a in unseen if a.azimuth_true_deg is None and a.status == w.code] for w in UNSEEN}
    why["not measured"] = [a for a in unseen if not any(a in some for some in why.values())]
    said += [f"{len(some)} {word}: {_named(some, site_id)}." for word, some in why.items() if some]
    good = len(of.get("ok", ()))
    if good == n:
        read = sum(a.reading is not None and a.reading.agrees is True for a in antennas)
        who = "The antenna is" if n == 1 else "Both antennas are" if n == 2 else f"All {n} antennas are"
        if read == n:
            tail = " and agrees with its reading" if n == 1 else " and agree with their readings"
        elif read:
            tail = f"; {read} {'has a reading, which agrees' if read == 1 else 'have readings, which agree'}"
        else:
            tail = "; there is no reading to compare"
        said.append(f"{who} within tolerance{tail}.")
    elif good:
        said.append("The other one is in order." if good == 1 else f"The other {good} are in order.")
    return " ".join(said)


def _is(items: Sequence[AntennaResult], one: str, many: str) -> str:
    return one if len(items) == 1 else many


def _named(items: Sequence[AntennaResult], site_id: str, note: Callable[[AntennaResult], str] | None = None) -> str:
    return some_of([short_label(a.antenna_id, site_id) + (f" ({note(a)})" if note else "") for a in items], 5)


def azimuth(value_deg: float | None, u95_deg: float | None = None) -> str:
    """'124.6° ± 4.0°'."""
    return UNKNOWN if value_deg is None else format_azimuth_deg(value_deg, u95_deg)


def signed(value_deg: float | None) -> str:
    """'+6.6°'."""
    return UNKNOWN if value_deg is None else format_difference_deg(value_deg)


def magnitude(value_deg: float | None) -> str:
    """'6.6°', without its sign."""
    return UNKNOWN if value_deg is None else deg(abs(value_deg))


def number(value: float | None, decimals: int = 2) -> str:
    """A plain number; '–' where it is not known."""
    if value is None or not math.isfinite(value):
        return UNKNOWN
    return f"{round(value, decimals) + 0.0:.{decimals}f}"


def probability(p: float | None) -> str:
    """As `photoaz.wording.percent`."""
    return UNKNOWN if p is None else percent(p)


def decibel(value: float, interval: tuple[float, float] | None = None) -> str:
    """'-4.7 dB (-6.1 to -3.4)'."""
    said = f"{_tenth(value)} dB"
    return said if interval is None else f"{said} ({_tenth(interval[0])} to {_tenth(interval[1])})"


def _tenth(value: float) -> str:
    r = round(value, 1)
    return f"{r:+.1f}" if r else "0.0"


def money(value: float | None) -> str:
    """Two significant digits, in groups of three: costs are no better known."""
    if value is None or not math.isfinite(value):
        return UNKNOWN
    return grouped(two_digits(value))


def grouped(value: int) -> str:
    """12 345 with a narrow no-break space."""
    return f"{value:,}".replace(",", "\N{NARROW NO-BREAK SPACE}")


def before_you_go(todo: Revisit | Sequence[RevisitItem] | None, *advice: NextEvidence | None) -> str:
    """The cautions of what is to be done, or advised, as one sentence; '' where nobody goes anywhere."""
    items = todo.antennas if isinstance(todo, Revisit) else todo or ()
    return _before_you_go([*(i.action for i in items), *("photo" for a in advice if a is not None and a.needs_trip)])


def as_sentence(text: str) -> str:
    """With a capital and a full stop."""
    text = text.strip()
    return text[:1].upper() + text[1:] + ("" if text[-1:] in ".!?" else ".")


def plural(n: int, one: str, many: str | None = None) -> str:
    """'1 photo', '2 photos'."""
    return f"{grouped(n)} {one if n == 1 else many or one + 's'}"


_KEPT = " \N{NO-BREAK SPACE}\N{NARROW NO-BREAK SPACE}\N{ZERO WIDTH NON-JOINER}\N{ZERO WIDTH JOINER}"


def clean(text: str) -> str:
    """Without control, direction-changing and other characters that do not show; line ends become blanks."""
    if text.isprintable():
        return text
    return "".join(c if c.isprintable() or c in _KEPT else " " for c in text)


def escaped(text: object) -> str:
    """Text as text of HTML or SVG, whatever is in it; control characters that these cannot hold become blanks."""
    plain = str(text)
    if not plain.isprintable():
        plain = "".join(c if c.isprintable() else " " for c in plain)
    return html.escape(plain, quote=True)


def shortened(text: str, most: int) -> str:
    """Cut at a word, with an ellipsis, where it is longer than `most` characters."""
    return text if len(text) <= most else text[: most - 1].rsplit(" ", 1)[0] + " …"


_RESERVED = {"con", "prn", "aux", "nul", *(f"{d}{k}" for d in ("com", "lpt") for k in range(10))}


def is_reserved(stem: str) -> bool:
    """Whether some systems keep a name, with whatever suffix, for a device."""
    return stem.split(".")[0].lower() in _RESERVED


def page_name(site_id: str, taken: set[str]) -> str:
    """File name of a site's page, which no other has; adds itself, in small letters, to `taken`.

    The id itself where it is letters, digits, - and _; else what is left of it with the beginning of its SHA-256, so
    that a page keeps its name whichever other sites there are.
    """
    stem = re.sub(r"[^A-Za-z0-9_-]+", "_", site_id).strip("_")[:80] or "site"
    if stem != site_id or is_reserved(stem) or f"{stem}.html".lower() in taken:
        digest = hashlib.sha256(site_id.encode("utf-8", "surrogatepass")).hexdigest()
        stem = f"{stem}-{digest[:8]}"
    name, k = f"{stem}.html", 2
    while name.lower() in taken:  # the same site twice
        name, k = f"{stem}-{k}.html", k + 1
    taken.add(name.lower())
    return name


def local_link(path: str | None) -> str | None:
    """Link from a site's page to a file named relative to the results' folder; None where it would lead elsewhere."""
    if not path or "\\" in path or path.startswith("/") or any(ord(c) < 32 for c in path):
        return None
    parts = PurePosixPath(path).parts
    if ".." in parts or ":" in parts[0]:
        return None
    return "../../" + quote("/".join(parts).encode("utf-8", "surrogatepass"))


#: where a desk that serves the report puts the way to a site, which is quoted; nothing shows there elsewhere
DESK_MARK = "<!--desk:SITE-->"


def desk_mark(site_id: str = "") -> Markup:
    """The mark of a site; of the list of sites without one."""
    quoted = quote(site_id.encode("utf-8", "surrogatepass"), safe="").replace("-", "%2D")  # no end of a comment
    return Markup(DESK_MARK.replace("SITE", quoted))


def base_name(path: str) -> str:
    """Last part of a path or an address; the whole of it where that is empty."""
    plain = re.split(r"[?#]", path)[0] if "://" in path else path
    return re.split(r"[/\\]", plain.rstrip("/\\"))[-1] or path
