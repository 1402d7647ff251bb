"""What `import photoaz` offers, as plain functions: the commands' work for people who write Python."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from pathlib import Path
from typing import Any, TypeVar

from photoaz.errors import FileReader
from photoaz.estimate.inputs import FILES, Tools, read_beside, site_inputs
from photoaz.estimate.pipeline import estimate_site
from photoaz.judgement.costs import Costs
from photoaz.photo.metadata import read_record
from photoaz.photo.record import PhotoRecord
from photoaz.planning.earlier import earlier_of_result
from photoaz.planning.plan import SitePlan, plan_photos
from photoaz.present.folder import audit_into
from photoaz.present.results import Results
from photoaz.priors import Priors
from photoaz.quantities import DECISION_RISK
from photoaz.register.columns import load_columns
from photoaz.register.load import RegisterResult, require_antennas
from photoaz.register.load import load_register as read_register
from photoaz.register.model import Control, Pick, Site
from photoaz.result import SiteResult

PathLike = str | Path
_Row = TypeVar("_Row", Control, Pick)


def load_register(path: PathLike, columns: PathLike | None = None) -> RegisterResult:
    """Read a register of antennas, CSV or XLSX.

    Parameters
    ----------
    path : the file, a row an antenna. columns : TOML that says what its headings mean, where they are its own.

    Returns
    -------
    RegisterResult : `sites`, `faults` of bad rows, and `site(site_id)`.

    Raises
    ------
    InputError : no table, or one that lacks needed columns; with file, line and column.

    Examples
    --------
    >>> import photoaz
    >>> register = photoaz.load_register(photoaz.sample_dir() / "register.csv")
    >>> [site.site_id for site in register.sites]
    ['QLB-014']
    """
    return read_register(Path(path), None if columns is None else load_columns(Path(columns)))


# longer than most: its parameters and what they mean
def solve(
    site: Site,
    photos: Iterable[PathLike],
    *,
    controls: PathLike | Sequence[Control] = (),
    picks: PathLike | Sequence[Pick] = (),
    camera: PathLike | None = None,
    antennas: Iterable[str] | None = None,
    risk: float = DECISION_RISK,
    costs: Costs | None = None,
    priors: PathLike | Priors | None = None,
    surroundings: PathLike | None = None,
    terrain: PathLike | None = None,
    progress: Callable[[str], None] | None = None,
) -> SiteResult:
    """Azimuths of a site's antennas from its photos, held against readings and design.

    Parameters
    ----------
    site : of a register. photos : files that show it. controls, picks : tables (CSV or XLSX), or rows of them, about
        any photos; those that name one of `photos` are used. camera : a calibration by `photoaz calibrate`.
    antennas : only these ids. risk : of deciding wrongly about a design, either way, (0, 0.5). costs : of visits,
        climbs and wrong azimuths. priors : of antennas, compasses and readings in
        general: `photoaz.priors.Priors`, or a file of them. surroundings : a map of what stands round, GeoJSON;
        terrain : heights of the ground, ESRI ASCII grid or XYZ. progress : called with a line of text before each
        photo.

    Returns
    -------
    SiteResult : degrees, metres and pixels of the image as shown; what could not be used says why.

    Raises
    ------
    InputError : a table with faults, all of them at once; an antenna that the site does not have.

    Examples
    --------
    >>> import photoaz
    >>> sample = photoaz.sample_dir()
    >>> site = photoaz.load_register(sample / "register.csv").site("QLB-014")
    >>> result = photoaz.solve(site, [sample / "qlb014_8.jpg"], controls=sample / "controls.csv")
    >>> result.photos[0].status
    'used'
    """
    ids = None if antennas is None else frozenset(antennas)
    require_antennas(site, sorted(ids or ()), f"site {site.site_id}")
    said: dict[str, object] = {"controls": controls, "picks": picks, "camera": camera, "priors": priors}
    said |= {"surroundings": surroundings, "terrain": terrain}
    files = {name: Path(given) for name, given in said.items() if isinstance(given, (str, Path))}
    reading = FileReader()
    beside = read_beside(reading, files)
    reading.done()
    beside["costs"] = costs
    if not isinstance(controls, (str, Path)):
        beside["controls"] = tuple(controls)
    if not isinstance(picks, (str, Path)):
        beside["picks"] = tuple(picks)
    if isinstance(priors, Priors):
        beside["priors"] = priors
    given = site_inputs(site, [Path(photo) for photo in photos], antenna_ids=ids, risk=risk, **beside)
    return estimate_site(given, Tools() if progress is None else Tools(progress=progress))


def audit(
    paths: PathLike | Iterable[PathLike],
    *,
    register: PathLike,
    out: PathLike,
    jobs: int | None = None,
    store: str | None = None,
    name: str | None = None,
    quiet: bool = True,
    **options: Any,
) -> Results:
    """Audit an archive of photos against a register; the results lie in `out`, and a rerun goes on where it stopped.

    Parameters
    ----------
    paths : folders, photos, lists of them, or URLs of object stores. jobs : processes, one a core where None; a script
        that uses more than one needs `if __name__ == "__main__"`. store, name : a database's URL and the audit's name
        in it; else a file in `out`. options : columns, readings, manifest, controls, picks, camera, costs, priors,
        surroundings, terrain (paths), risk, overlays, sheets ('all', 'flagged' or 'none'), as of the command
        `photoaz audit`.

    Returns
    -------
    Results : `report`, the page to open; `outcome`, the counts.

    Raises
    ------
    InputError : a table with faults, paths that hold no photo.

    Examples
    --------
    >>> import photoaz
    >>> sample = photoaz.sample_dir()
    >>> photoaz.audit(sample, register=sample / "register.csv", out="audit-2026", jobs=1)  # doctest: +SKIP
    """
    listed = [paths] if isinstance(paths, (str, Path)) else list(paths)
    named: dict[str, Any] = {k: Path(v) if isinstance(v, (str, Path)) and k in FILES else v for k, v in options.items()}
    named["register"] = Path(register)
    where: dict[str, Any] = {"store": store, "name": name}
    return audit_into(Path(out), [*map(str, listed)], named, "photoaz.audit(...)", **where, jobs=jobs, quiet=quiet)[0]


def plan(
    site: Site,
    *,
    earlier: SiteResult | None = None,
    antennas: Iterable[str] | None = None,
    **options: Any,
) -> SitePlan:
    """Where to stand for a site's next photos, with which lens, and the U95 to be expected.

    Cautions come with the plan (`SitePlan.cautions`): local codes and licensed practice come before any plan.

    Parameters
    ----------
    earlier : what photos that are there tell. antennas : only these. options : landmarks, area, equipment, nearest_m,
        farthest_m, most, criterion, day, as of `photoaz.planning.plan.plan_photos`.

    Examples
    --------
    >>> import photoaz
    >>> site = photoaz.load_register(photoaz.sample_dir() / "register.csv").site("QLB-014")
    >>> made = photoaz.plan(site, most=1)
    >>> len(made.standpoints), len(made.cautions) > 0
    (1, True)
    """
    known = None if earlier is None else earlier_of_result(earlier)
    return plan_photos(site, wanted=None if antennas is None else tuple(antennas), earlier=known, **options)


def inspect(photo: PathLike) -> PhotoRecord:
    """What a photo's metadata give: camera, time, position, attitude, each with its uncertainty and what is missing.

    Raises
    ------
    InputError : the file is no photo.

    Examples
    --------
    >>> import photoaz
    >>> record = photoaz.inspect(photoaz.sample_dir() / "qlb014_8.jpg")
    >>> (record.width_px, record.height_px), record.position is not None
    ((6000, 4000), True)
    """
    return read_record(Path(photo))
