"""What is given of a site, and what the work is done with."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any, TypedDict, TypeVar

from photoaz.errors import FileReader, InputError
from photoaz.judgement.costs import Costs, load_costs
from photoaz.memory import Forgetful, Memory
from photoaz.photo.calibration import Calibration, load_calibration
from photoaz.photo.metadata import read_record
from photoaz.photo.pixels import Darkroom
from photoaz.photo.record import PhotoRecord
from photoaz.priors import Priors
from photoaz.quantities import DECISION_RISK
from photoaz.register.history import ReadingHistory
from photoaz.register.load import load_controls, load_picks
from photoaz.register.model import Antenna, Control, Pick, Site
from photoaz.register.photos import PhotoIndex
from photoaz.register.priors import read_priors
from photoaz.surroundings.maps import Surroundings
from photoaz.surroundings.reading import Scenery, scenery_of

_Row = TypeVar("_Row", Control, Pick)


#: options that name a file, as the report lists them
FILES = (
    *("register", "columns", "readings", "manifest", "controls", "picks", "camera", "costs", "priors"),
    *("surroundings", "terrain"),
)


class Beside(TypedDict):
    """What is told beside photos and register, as `site_inputs` takes it."""

    controls: tuple[Control, ...]
    controls_dir: Path | None
    picks: tuple[Pick, ...]
    picks_dir: Path | None
    calibration: Calibration | None
    costs: Costs | None
    priors: Priors | None
    scenery: Scenery | None


def read_beside(reading: FileReader, files: Mapping[str, Any]) -> Beside:
    """Read what is told beside photos and register. files: paths, None where there is none, by the options' names."""
    map_, terrain = files.get("surroundings"), files.get("terrain")
    controls, picks = files.get("controls"), files.get("picks")
    return {
        "controls": reading.read(load_controls, controls) or (),
        "controls_dir": None if controls is None else controls.parent,
        "picks": reading.read(load_picks, picks) or (),
        "picks_dir": None if picks is None else picks.parent,
        "calibration": reading.read(load_calibration, files.get("camera")),
        "costs": reading.read(load_costs, files.get("costs")),
        "priors": reading.read(read_priors, files.get("priors")),
        "scenery": reading.read(lambda _path: scenery_of(map_, terrain), map_ or terrain),
    }


@dataclass(frozen=True, slots=True, kw_only=True)
class LocalPhoto:
    """A photo's file, and what is known of it already.

    name: what it is called in results and tables. path: where it lies, perhaps for as long as it is needed only.
    digest: SHA-256 of the file, hexadecimal; record: of its metadata; None where nobody read them yet.
    """

    name: str
    path: Path
    digest: str | None = None
    record: PhotoRecord | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class SiteInputs:
    """Everything that a site's result depends on, beside photoaz itself.

    controls, picks: by the names that the photos have here; those of other photos are not used. history: readings and
    designs of other days. antenna_ids: only these antennas; all where None. risk: of deciding wrongly about a design,
    either way. priors: what is known of antennas, compasses and readings in general. surroundings: what a map has
    round the site, None where there is no map.
    """

    site: Site
    photos: tuple[LocalPhoto, ...]
    controls: tuple[Control, ...] = ()
    picks: tuple[Pick, ...] = ()
    calibration: Calibration | None = None
    history: ReadingHistory = field(default_factory=dict)
    antenna_ids: frozenset[str] | None = None
    risk: float = DECISION_RISK
    costs: Costs = field(default_factory=Costs)
    priors: Priors = field(default_factory=Priors)
    surroundings: Surroundings | None = None

    @property
    def antennas(self) -> tuple[Antenna, ...]:
        """Those asked for, as the register has them."""
        return tuple(a for a in self.site.antennas if self.antenna_ids is None or a.antenna_id in self.antenna_ids)


@dataclass(frozen=True, slots=True, kw_only=True)
class Tools:
    """What the work is done with; the result is the same with whichever.

    memory: of what was worked out before. room: with photos that were decoded before. progress: called with a line of
    text before each photo.
    """

    memory: Memory = field(default_factory=Forgetful)
    room: Darkroom = field(default_factory=Darkroom)
    progress: Callable[[str], None] = lambda _text: None


def site_inputs(
    site: Site,
    photos: Sequence[Path | LocalPhoto],
    *,
    controls: Sequence[Control] = (),
    controls_dir: Path | None = None,
    picks: Sequence[Pick] = (),
    picks_dir: Path | None = None,
    calibration: Calibration | None = None,
    antenna_ids: frozenset[str] | None = None,
    history: ReadingHistory | None = None,
    risk: float = DECISION_RISK,
    costs: Costs | None = None,
    priors: Priors | None = None,
    scenery: Scenery | None = None,
) -> SiteInputs:
    """Inputs from photos and tables. A photo's metadata are read, each photo is used once.

    Parameters
    ----------
    photos : paths, or files with names of their own. controls, picks : rows of tables about any photos, which name them
        by file name, or by path relative to the table's folder (`controls_dir`, `picks_dir`). scenery : a map, of which
        what lies near the site is taken.
    """
    local = [p if isinstance(p, LocalPhoto) else LocalPhoto(name=str(p), path=p) for p in photos]
    named = {photo.name: _with_record(photo) for photo in local}
    return SiteInputs(
        site=site,
        photos=tuple(named.values()),
        controls=_rows(controls, controls_dir, named),
        picks=_rows(picks, picks_dir, named),
        calibration=calibration,
        history={} if history is None else history,
        antenna_ids=antenna_ids,
        risk=risk,
        costs=Costs() if costs is None else costs,
        priors=priors or Priors(),
        surroundings=None if scenery is None else scenery.near(site.lat_deg, site.lon_deg),
    )


def _with_record(photo: LocalPhoto) -> LocalPhoto:
    """With its metadata; as it is where they cannot be read, which is told when it is opened."""
    if photo.record is not None:
        return photo
    try:
        return replace(photo, record=read_record(photo.path))
    except InputError:
        return photo


def _rows(rows: Sequence[_Row], folder: Path | None, names: Sequence[str] | dict[str, LocalPhoto]) -> tuple[_Row, ...]:
    """A table's rows about the photos, under the names that these have here."""
    index = PhotoIndex([(row.photo, row) for row in rows], folder or Path())
    return tuple(replace(row, photo=name) for name in names for row in index.of(name))
