"""Photos and a register in, a site's solution out: the one pipeline that everybody calls."""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import wraps
from pathlib import Path
from typing import Any, ParamSpec, TypeVar

import numpy as np
from numpy.typing import NDArray

from photoaz.angles import azimuth_deg, wrap_rad
from photoaz.errors import InputError
from photoaz.estimate.controls import clock_remark
from photoaz.estimate.gather import (
    GatheredPhoto,
    LocalPhoto,
    Looking,
    UnusablePhotoError,
    antenna_priors_of,
    day_taken,
    declination_at,
    measured_again,
    observe_photo,
    open_photo,
    standing_of,
    with_controls,
    with_pick,
)
from photoaz.estimate.panels import Sighted, Spot, Standing, find_in, known_antenna, name_panels
from photoaz.geodesy.frames import EnuFrame
from photoaz.geodesy.norths import Declination
from photoaz.memory import Forgetful, Memory, recall
from photoaz.naming.mount import mount_of
from photoaz.network.adjust import AdjustmentError, variance_shares
from photoaz.network.antenna_positions import AntennaPositions, antenna_positions_of
from photoaz.network.compass import COMPASS
from photoaz.network.declination import DECLINATION
from photoaz.network.forecast import azimuth_covariance_rad2, next_evidence
from photoaz.network.mode_weights import TILT_SIGMA_RAD, AzimuthMode
from photoaz.network.reliability import weak_points
from photoaz.network.site import BOX_SOURCE, AntennaPriors, PhotoObservations, SiteNetwork, azimuths_of_modes, build
from photoaz.network.solution import (
    SHAPE_SIGMA_RAD,
    NetworkSolution,
    mixture_u95,
    shifted,
    solve_network,
    standard_u,
    stated_u95,
    u95_of_mode,
)
from photoaz.photo.calibration import Calibration
from photoaz.photo.picture import Darkroom, Picture
from photoaz.photo.record import PhotoRecord
from photoaz.quantities import K95, RADIUS_95
from photoaz.register.model import Antenna, Control, Pick, Site
from photoaz.result import (
    Alternative,
    AntennaSolution,
    BudgetShare,
    EvidenceView,
    MissingView,
    NamedPanel,
    PhotoSolution,
    SiteSolution,
    View,
)
from photoaz.vision.evidence import BoxMode
from photoaz.vision.find import Found

Array = NDArray[Any]
_P = ParamSpec("_P")
_R = TypeVar("_R")


def _one_thread(solve: Callable[_P, _R]) -> Callable[_P, _R]:
    """Linear algebra on one thread: a site's matrices are small, and threads that wait for one another cost more."""

    @wraps(solve)
    def on_one_thread(*args: _P.args, **kwargs: _P.kwargs) -> _R:
        from threadpoolctl import threadpool_limits

        with threadpool_limits(1, "blas"):
            return solve(*args, **kwargs)

    return on_one_thread


@_one_thread
def solve_site(
    site: Site,
    photos: Sequence[Path | LocalPhoto],
    *,
    controls: Sequence[Control] = (),
    controls_dir: Path | None = None,
    picks: Sequence[Pick] = (),
    picks_dir: Path | None = None,
    calibration: Calibration | None = None,
    antenna_ids: Collection[str] | None = None,
    progress: Callable[[str], None] | None = None,
    memory: Memory | None = None,
    room: Darkroom | None = None,
    bench: Bench | None = None,
) -> SiteSolution:
    """Azimuths of a site's antennas from its photos.

    Parameters
    ----------
    site : the register's rows of this site. photos : paths, or files with names of their own, each used once.
    controls, picks : of any photos; those that name one of `photos` are used (`controls_dir`, `picks_dir`: the tables'
    folders, for paths relative to them).
    calibration : interior orientation for all photos, else from each one's metadata. antenna_ids : only these.
    progress : called with a line of text before each photo. memory : of what was worked out before; room : with photos
    that were decoded before; results are the same with or without. bench : left with what `solve_again` needs.

    Returns
    -------
    SiteSolution, with an entry for every photo and every antenna asked for; what could not be used says why.
    """
    say = progress or (lambda _text: None)
    kept = memory or Forgetful()
    room = room or Darkroom()
    antennas = [a for a in site.antennas if antenna_ids is None or a.antenna_id in antenna_ids]
    frame = EnuFrame(lat_deg=site.lat_deg, lon_deg=site.lon_deg, height_m=0.0)
    rejected: dict[str, PhotoSolution] = {}
    names: list[str] = []
    facts: list[PhotoObservations] = []
    looks: dict[str, Looking] = {}
    records: dict[str, PhotoRecord] = {}
    norths: dict[str, Declination] = {}
    antenna_priors = {a.antenna_id: antenna_priors_of(a, site) for a in site.antennas}
    wanted = {a.antenna_id: antenna_priors[a.antenna_id] for a in antennas}
    mount = mount_of([known_antenna(a, antenna_priors[a.antenna_id]) for a in site.antennas])
    head = antenna_positions_of(mount, {name: f.up_sigma_m for name, f in antenna_priors.items()})
    seen: list[_Seen] = []
    local = [p if isinstance(p, LocalPhoto) else LocalPhoto(name=str(p), path=p) for p in photos]
    files = {file.name: file for file in local}
    for name, file in files.items():
        names.append(name)
        say(f"{Path(name).name}: looking for antennas")
        try:
            photo = open_photo(file, controls, controls_dir, picks, picks_dir, calibration)
            records[name] = photo.record
            _require_near(photo, frame)
            north = declination_at(photo.record, site)
            if north is not None:
                norths[name] = north
            picture = Picture(file.path, room, file.digest)
            seen.append(_see(name, photo, picture, site, frame, antenna_priors, north, kept))
        except (UnusablePhotoError, InputError) as e:
            why = str(e).replace(str(file.path), name)
            rejected[name] = PhotoSolution(photo=name, status="rejected", reason=why)
    sighted, _ = name_panels([s.standing for s in seen], [s.found for s in seen], site, antenna_priors)
    sights = {s.standing.name: one for s, one in zip(seen, sighted, strict=True)}
    for s in seen:
        name = s.standing.name
        say(f"{Path(name).name}: measuring")
        try:
            fact, look = observe_photo(s.photo, s.standing, sights[name], s.picture, site, frame, wanted, kept)
            facts.append(fact)
            looks[name] = look
        except (UnusablePhotoError, InputError) as e:
            rejected[name] = _rejected(name, str(e), records, sights)
    facts = _without_poor_views(facts, sights)
    result: NetworkSolution | None = None
    if facts:
        site_sigma = site.position_u95_m / RADIUS_95
        say(f"{site.site_id}: adjusting")
        try:
            first = solve_network(_network(facts, wanted, site_sigma, head))
            if sum(len(f.boxes) for f in facts) > 1:
                # once more, now that all together say how the cameras were held and how far away they stood
                facts = _without_poor_views(
                    [measured_again(f, looks[f.name], wanted, first, kept) for f in facts], sights
                )
                first = solve_network(_network(facts, wanted, site_sigma, head))
            better = _without_poor_choices(facts, sights, first)
            result = first if better is None else solve_network(_network(better, wanted, site_sigma, head))
        except AdjustmentError as e:
            for f in facts:
                rejected[f.name] = _rejected(f.name, f"the site's adjustment failed: {e}", records, sights)
    if bench is not None:
        bench.last = (
            None if result is None else _Last(site, antennas, seen, sights, rejected, names, wanted, head, result)
        )
        bench.tables = tuple(controls), tuple(picks)
    return solution_of(site, result, names, rejected, antennas, records, norths, sights)


@dataclass(frozen=True, slots=True)
class _Last:
    """A solved site, as `solve_site` left it."""

    site: Site
    antennas: Sequence[Antenna]
    seen: Sequence[_Seen]
    sights: Mapping[str, Sighted]
    rejected: Mapping[str, PhotoSolution]
    names: Sequence[str]
    wanted: Mapping[str, AntennaPriors]
    head: AntennaPositions
    result: NetworkSolution


@dataclass(slots=True)
class Bench:
    """What lies ready after a site was solved, for whoever changes one thing and wants to see at once what it does."""

    last: _Last | None = None
    tables: tuple[tuple[Control, ...], tuple[Pick, ...]] = ((), ())


@_one_thread
def solve_again(
    bench: Bench, *, controls: Sequence[Control] = (), picks: Sequence[Pick] = (), memory: Memory | None = None
) -> SiteSolution | None:
    """A site solved again after a change of marks and controls: a draft, in a fraction of the time.

    Only what was marked anew is measured, as the last solution expects it, and everything is adjusted once. Naming and
    all other outlines stay as they were, and nothing is said of what to bring next. What `solve_site` then gives
    differs by little, but it does differ.

    Parameters
    ----------
    bench : of the last `solve_site` of the same site and photos. controls, picks : as they are now, by the photos'
        names.

    Returns
    -------
    SiteSolution, or None where the change is too large for this: a mark taken away, an antenna that was in no photo.
    """
    last, kept = bench.last, memory or Forgetful()
    if last is None:
        return None
    frame = EnuFrame(lat_deg=last.site.lat_deg, lon_deg=last.site.lon_deg, height_m=0.0)
    facts = {f.name: f for f in _without_doubtless_ways(last.result)}
    sights = dict(last.sights)
    old_picks = {(p.photo, p.antenna_id): p for p in bench.tables[1]}
    new_picks = {(p.photo, p.antenna_id): p for p in picks}
    if old_picks.keys() - new_picks.keys() or any(p.absent for p in {*picks} - {*bench.tables[1]}):
        return None
    seen = {s.standing.name: s for s in last.seen}
    try:
        for (name, antenna), pick in new_picks.items():
            if old_picks.get((name, antenna)) == pick:
                continue
            if name not in facts or antenna not in last.wanted:
                return None
            spot = Spot(
                antenna_id=antenna,
                corners_px=None if pick.corners_px is None else np.array(pick.corners_px, float),
                seed_px=None if pick.seed_px is None else np.array(pick.seed_px, float),
                exact=pick.exact,
                picked=True,
            )
            facts[name] = with_pick(facts[name], seen[name].picture, spot, last.wanted[antenna], last.result, kept)
            rest = tuple(s for s in sights[name].spots if s.antenna_id != antenna)
            sights[name] = replace(sights[name], spots=(*rest, spot))
        for name in {c.photo for c in {*controls} ^ {*bench.tables[0]}}:
            if name not in facts:
                return None
            photo = replace(seen[name].photo, controls=tuple(c for c in controls if c.photo == name))
            north = declination_at(photo.record, last.site)
            standing = standing_of(name, photo, frame, north)
            facts[name] = with_controls(facts[name], photo, standing, frame, seen[name].picture, last.result)
        network = _network(list(facts.values()), last.wanted, last.site.position_u95_m / RADIUS_95, last.head)
        result = solve_network(network)
    except (UnusablePhotoError, InputError, AdjustmentError):
        return None
    records = {name: s.photo.record for name, s in seen.items()}
    norths = {name: n for name, r in records.items() if (n := declination_at(r, last.site)) is not None}
    return solution_of(
        last.site, result, last.names, last.rejected, last.antennas, records, norths, sights, outlook=False
    )


#: the other ways in which an antenna's outlines fit are not weighed again where they are less probable than this
DOUBTLESS = 0.01


def _without_doubtless_ways(result: NetworkSolution) -> list[PhotoObservations]:
    """The photos' facts with one way for each outline of the antennas that fit in one way only."""
    sure = {
        a
        for a, azimuth_modes in result.azimuth_modes.items()
        if sum(b.probability for b in azimuth_modes[1:]) < DOUBTLESS
    }
    return [
        replace(
            f,
            boxes={a: (modes[result.choice[f.name, a]],) if a in sure else modes for a, modes in f.boxes.items()},
        )
        for f in result.network.photos
    ]


def solution_of(
    site: Site,
    result: NetworkSolution | None,
    names: Sequence[str],
    rejected: Mapping[str, PhotoSolution],
    antennas: Sequence[Antenna],
    records: Mapping[str, PhotoRecord],
    norths: Mapping[str, Declination],
    sights: Mapping[str, Sighted],
    *,
    outlook: bool = True,
) -> SiteSolution:
    """What an adjusted site says of photos (`names`, in this order) and antennas.

    result : None where no photo could be used; then all are in `rejected`. records, norths, sights : per photo that was
    looked at. outlook : also what limits the azimuths, what to bring next and weak points, beside their joint
    covariance; without, it takes less time.
    """
    frame = EnuFrame(lat_deg=site.lat_deg, lon_deg=site.lon_deg, height_m=0.0)
    photo_solutions, antenna_solutions = _report(result, names, rejected, antennas, frame, records, norths, sights)
    north0 = next(iter(norths.values()), None)
    solution = SiteSolution(
        site_id=site.site_id,
        lat_deg=site.lat_deg,
        lon_deg=site.lon_deg,
        declination_deg=None if north0 is None else north0.value_deg,
        declination_u95_deg=None if north0 is None else K95 * north0.sigma_deg,
        photos=photo_solutions,
        antennas=antenna_solutions,
    )
    if result is None:
        return solution
    covariance = azimuth_covariance_rad2(result) * np.degrees(1.0) ** 2
    solution = replace(
        solution,
        azimuth_ids=result.network.layout.antennas,
        azimuth_covariance_deg2=tuple(tuple(float(v) for v in row) for row in covariance),
    )
    return _with_outlook(solution, result) if outlook else solution


def _with_outlook(solution: SiteSolution, result: NetworkSolution) -> SiteSolution:
    """The solution with what limits its azimuths and what to bring next."""
    estimated = {a.antenna_id: a.budget for a in solution.antennas if a.azimuth_true_deg is not None}
    per_antenna, whole = next_evidence(result, estimated)
    return replace(
        solution,
        antennas=tuple(replace(a, next_evidence=per_antenna.get(a.antenna_id)) for a in solution.antennas),
        next_evidence=whole,
        weak_points=weak_points(result.observations, result.adjusted, result.network.layout, _u95_rad(solution)),
    )


def _u95_rad(solution: SiteSolution) -> dict[str, float]:
    return {a.antenna_id: float(np.radians(a.u95_deg)) for a in solution.antennas if a.u95_deg is not None}


#: nobody measures a panel from farther away than this
FARTHEST_M = 3000.0


def _require_near(photo: GatheredPhoto, frame: EnuFrame) -> None:
    """Raise UnusablePhotoError where a photo was taken too far from the site to be of it."""
    p = photo.record.position
    if p is None or any(c.kind == "standpoint" for c in photo.controls):
        return
    away = float(np.linalg.norm(frame.enu_from_geodetic(p.lat_deg, p.lon_deg)[:2]))
    if away > FARTHEST_M + 3.0 * p.sigma_m:
        raise UnusablePhotoError(f"it was taken {away / 1000:.1f} km from this site, by its position: of another site?")


def _without_poor_choices(
    facts: Sequence[PhotoObservations], sights: Mapping[str, Sighted], result: NetworkSolution
) -> list[PhotoObservations] | None:
    """As `_without_poor_views`, by the modes that the adjustment chose; None where all may stay."""
    chosen = [
        replace(f, boxes={a: (modes[result.choice[f.name, a]],) for a, modes in f.boxes.items()})
        for f in result.network.photos
    ]
    kept = {f.name: f.boxes for f in _without_poor_views(chosen, sights)}
    out = [replace(f, boxes={a: m for a, m in f.boxes.items() if a in kept[f.name]}) for f in facts]
    return None if all(len(n.boxes) == len(o.boxes) for n, o in zip(out, facts, strict=True)) else out


@dataclass(frozen=True, slots=True, kw_only=True)
class _Seen:
    """A photo that was opened and looked at."""

    photo: GatheredPhoto
    standing: Standing
    picture: Picture
    found: Found | None


def _see(
    name: str,
    photo: GatheredPhoto,
    picture: Picture,
    site: Site,
    frame: EnuFrame,
    antenna_priors: Mapping[str, AntennaPriors],
    north: Declination | None,
    memory: Memory,
) -> _Seen:
    """Find the panels in a photo; nothing is looked for where picks name every antenna of the site."""
    standing = standing_of(name, photo, frame, north)
    named = {p.antenna_id for p in photo.picks if p.corners_px is not None and not p.absent}
    found: Found | None = None
    if not named >= set(antenna_priors):
        antennas, sigma = list(antenna_priors.values()), site.position_u95_m / RADIUS_95
        where = replace(standing, name="", picks=())  # a name or a person's word changes nothing that is found
        found = recall(
            memory,
            "panels",
            (picture, where, antennas, sigma),
            Found,
            lambda: find_in(picture.colour(), standing, antennas, sigma),
        )
    return _Seen(photo=photo, standing=standing, picture=picture, found=found)


#: a view of which less of the outline found its edge counts only where no other shows GOOD_QUALITY of it
POOR_QUALITY, GOOD_QUALITY = 0.5, 0.6
#: a compass's probability of being disturbed from which a person is told, where it is used nevertheless
DOUBTFUL_COMPASS = 0.3
#: a found view whose own outline leaves the azimuth this open (one sigma) tells nothing
NOTHING_RAD = float(np.radians(40.0))


def _without_poor_views(facts: Sequence[PhotoObservations], sights: Mapping[str, Sighted]) -> list[PhotoObservations]:
    """The photos' facts without found views that tell nothing, or little of an antenna which others show well."""
    telling = [
        {
            name: modes
            for name, modes in f.boxes.items()
            if name in _picked(sights[f.name])
            or azimuths_of_modes(f, modes[:1], f.start[:3], TILT_SIGMA_RAD)[1][0] < NOTHING_RAD
        }
        for f in facts
    ]
    best: dict[str, float] = {}
    for boxes in telling:
        for name, modes in boxes.items():
            best[name] = max(best.get(name, 0.0), modes[0].quality)
    out = []
    for f, boxes in zip(facts, telling, strict=True):
        good = {
            name: modes
            for name, modes in boxes.items()
            if name in _picked(sights[f.name]) or best[name] < GOOD_QUALITY or modes[0].quality >= POOR_QUALITY
        }
        out.append(replace(f, boxes=good or boxes))
    return out


def _picked(sighted: Sighted) -> set[str]:
    return {s.antenna_id for s in sighted.spots if s.picked}


def _network(
    facts: Sequence[PhotoObservations],
    antennas: Mapping[str, AntennaPriors],
    site_sigma_m: float,
    head: AntennaPositions,
) -> SiteNetwork:
    seen = [a for name, a in antennas.items() if any(name in f.boxes for f in facts)]
    return build(facts, seen, site_sigma_m, head)


def _view(mode: BoxMode, yaw_rad: float) -> View:
    """How the antenna is seen: by the normal's angle off the line of sight in plan."""
    off = abs(float(np.degrees(yaw_rad)))
    if off < 15.0:
        return "face"
    if off < 80.0:
        return "oblique"
    return "profile" if off <= 100.0 else "rear"


def _report(
    result: NetworkSolution | None,
    names: Sequence[str],
    rejected: Mapping[str, PhotoSolution],
    antennas: Sequence[Antenna],
    frame: EnuFrame,
    records: Mapping[str, PhotoRecord],
    norths: Mapping[str, Declination],
    sights: Mapping[str, Sighted],
) -> tuple[tuple[PhotoSolution, ...], tuple[AntennaSolution, ...]]:
    photos = tuple(
        rejected[n] if n in rejected else _photo_solution(result, n, frame, records[n], norths.get(n), sights[n])
        for n in names
    )
    return photos, tuple(_antenna_solution(result, a, sights) for a in antennas)


def _pairs(points: Array) -> tuple[tuple[float, float], ...]:
    return tuple((float(p[0]), float(p[1])) for p in points)


def _rejected(
    name: str, reason: str, records: Mapping[str, PhotoRecord], sights: Mapping[str, Sighted]
) -> PhotoSolution:
    """A photo that was looked at and cannot take part."""
    return PhotoSolution(
        photo=name,
        status="rejected",
        reason=reason,
        taken=day_taken(records[name]),
        panels=_panels(sights[name]),
        window_px=_window(sights[name]),
    )


def _panels(sighted: Sighted) -> tuple[NamedPanel, ...]:
    """What was found in a photo and what each panel was taken for."""
    if sighted.found is None:
        return ()
    out = []
    for k, c in enumerate(sighted.found.candidates):
        match = sighted.naming.matches[k] if sighted.naming is not None else None
        picked = {s.antenna_id for s in sighted.spots if s.picked}
        spot = next(
            (s for s in sighted.spots if s.candidate is c or (match and s.antenna_id == match.antenna in picked)), None
        )
        out.append(
            NamedPanel(
                corners_px=_pairs(c.corners_px),
                probability=c.probability,
                front=c.front >= 0.5,
                antenna_id=None if spot is None else spot.antenna_id,
                name_probability=None if match is None else match.probability,
                reasons=() if match is None else match.reasons,
            )
        )
    return tuple(out)


def _window(sighted: Sighted) -> tuple[float, float, float, float] | None:
    if sighted.found is None:
        return None
    x0, y0, x1, y1 = sighted.found.window.box_px
    return float(x0), float(y0), float(x1), float(y1)


def _missing(antenna_id: str, sights: Mapping[str, Sighted], seen_in: Collection[str]) -> tuple[MissingView, ...]:
    """The photos in which an antenna was not measured, and what the pattern of all panels says of it there."""
    out = []
    for name, sighted in sights.items():
        sight = sighted.sight(antenna_id)
        if name in seen_in or sight is None:
            continue
        if sighted.found is None or not sighted.found.candidates:
            # without a single panel nothing tells where in the frame the head is
            reason = "no panel was found in this photo"
            out.append(MissingView(photo=name, status="not_found", reason=reason))
            continue
        if sight.status == "not_visible":
            status, reason = "not_visible", sight.reason
        else:
            status = "not_found"
            reason = (
                sight.reason
                if sight.status == "not_found"
                else "a panel may be it, but could not be measured or told apart"
            )
        out.append(
            MissingView(
                photo=name,
                status="not_visible" if status == "not_visible" else "not_found",
                reason=reason,
                pixel=sight.pixel,
                radius_px=sight.radius_px if sight.pixel is not None else None,
                size_px=sight.size_px if sight.pixel is not None else None,
            )
        )
    return tuple(out)


def _photo_solution(
    result: NetworkSolution | None,
    name: str,
    frame: EnuFrame,
    record: PhotoRecord,
    north: Declination | None,
    sighted: Sighted,
) -> PhotoSolution:
    assert result is not None
    x, cov, layout = result.adjusted.x, result.adjusted.covariance, result.network.layout
    idx = layout.photo(name)
    lat, lon, _ = frame.geodetic_from_enu(x[idx[3:6]])
    facts = next(p for p in result.network.photos if p.name == name)
    heading = float(x[idx[0]])
    flags: list[str] = []
    disturbed = result.compasses is not None and name in result.compasses.likeliest
    if disturbed:
        said = next(a.value_rad for a in facts.headings if a.source == COMPASS)
        flags.append(f"compass disturbed by {np.degrees(wrap_rad(said - heading)):+.0f} deg")
    elif result.compasses is not None and name in result.compasses.photos:
        p = float(result.compasses.disturbed[result.compasses.photos.index(name)])
        if p >= DOUBTFUL_COMPASS:
            flags.append(f"compass may be disturbed ({p:.0%}): nothing else here tells the heading well enough")
    marks = {int(k) for s in facts.landmarks for k in layout.landmark(s.name)}
    for o in result.left_out:
        if np.isin(o.index, idx).any() or marks.issuperset(int(k) for k in o.index):
            flag = f"left out, contradicts the rest: {o.label.replace(name, Path(name).name)}"
            flags.append(flag + clock_remark(o, record, frame, facts.camera, x[idx]))
    if record.heading is not None and record.heading.north == "unknown":
        flags.append("compass reference not said (true or magnetic): both allowed for")
    flags += facts.notes
    # what the antennas' outlines tell of the heading suffers from the shape of their bodies like their azimuths
    shares = variance_shares(result.observations, result.adjusted, int(idx[0]))
    by_edges = shares.get(BOX_SOURCE, 0.0) / sum(shares.values())
    heading_sigma = np.hypot(np.sqrt(cov[idx[0], idx[0]]), by_edges * SHAPE_SIGMA_RAD)
    heading_sigma = np.hypot(heading_sigma, result.declination.get(name, 0.0))
    own = (AzimuthMode(heading, float(heading_sigma), 1.0),)
    return PhotoSolution(
        photo=name,
        status="used",
        taken=day_taken(record),
        heading_true_deg=float(azimuth_deg(np.degrees(heading))),
        heading_u95_deg=float(np.degrees(mixture_u95(shifted(own, result.shifts.get(name, ()))))),
        pitch_deg=float(np.degrees(x[idx[1]])),
        roll_deg=float(np.degrees(x[idx[2]])),
        lat_deg=float(lat),
        lon_deg=float(lon),
        flags=tuple(flags),
        panels=_panels(sighted),
        window_px=_window(sighted),
    )


def _antenna_solution(
    result: NetworkSolution | None, antenna: Antenna, sights: Mapping[str, Sighted]
) -> AntennaSolution:
    a = antenna.antenna_id
    if result is None or a not in result.network.layout.antennas:
        missing = _missing(a, sights, ())
        hidden = bool(missing) and all(m.status == "not_visible" for m in missing)
        why = tuple(dict.fromkeys(f"{Path(m.photo).name}: {m.reason}" for m in missing))
        return AntennaSolution(
            antenna_id=a,
            status="not_visible" if hidden else "not_found",
            reasons=why or ("no photo that could be used shows it",),
            missing=missing,
        )
    net, adjusted = result.network, result.adjusted
    idx = net.layout.antenna(a)
    x, cov = adjusted.x, adjusted.covariance
    azimuth_modes = result.azimuth_modes[a]
    u95 = stated_u95(result, a)
    sigma = K95 * np.sqrt(np.diag(cov)[idx[:3]])
    shares = variance_shares(result.observations, adjusted, int(idx[0]))
    scatter = result.scatter[a]
    # the budget is of what is reported: the network's variance, widened where views differ, and the body's own shape
    shares = {s: v * scatter**2 for s, v in shares.items()} | {"shape of the antenna": SHAPE_SIGMA_RAD**2}
    shares[DECLINATION] = result.declination.get(a, 0.0) ** 2
    whole = sum(shares.values())
    budget = tuple(
        BudgetShare(source=s, share=v / whole, u95_deg=float(np.degrees(K95 * np.sqrt(v))))
        for s, v in sorted(shares.items(), key=lambda kv: -kv[1])
        if v / whole >= 1e-4
    )
    evidence = []
    spots: dict[str, Spot] = {}
    for p in net.photos:
        if (p.name, a) in result.choice:
            spots[p.name] = next(s for s in sights[p.name].spots if s.antenna_id == a)
            evidence.append(_evidence(result, p, a, spots[p.name]))
    others = tuple(
        Alternative(
            azimuth_true_deg=float(azimuth_deg(np.degrees(b.azimuth_rad))),
            u95_deg=float(np.degrees(u95_of_mode(result, a, k))),
            probability=b.probability,
        )
        for k, b in enumerate(azimuth_modes[1:], 1)
        if b.probability >= 0.01
    )
    ambiguous = any(o.probability >= 0.1 for o in others)
    reasons: list[str] = []
    if ambiguous:
        reasons.append("the outline fits in more than one way: see the alternatives")
    unsure = _unsure(spots)
    if unsure:
        ambiguous = True
        reasons.append(unsure)
    if scatter > 1.2:
        reasons.append(f"its views differ by more than their uncertainties: widened by {scatter:.1f}")
    reasons += [
        f"its outline in {Path(photo).name} contradicts the rest of the site and is trusted {factor:.1f} times less"
        for (photo, name), factor in result.doubt.items()
        if name == a
    ]
    return AntennaSolution(
        antenna_id=a,
        status="ambiguous" if ambiguous else "estimated",
        azimuth_true_deg=float(azimuth_deg(np.degrees(x[idx[0]]))),
        u95_deg=float(np.degrees(u95)),
        downtilt_deg=float(np.degrees(x[idx[1]])),
        downtilt_u95_deg=float(np.degrees(sigma[1])),
        roll_deg=float(np.degrees(x[idx[2]])),
        roll_u95_deg=float(np.degrees(sigma[2])),
        alternatives=others,
        evidence=tuple(evidence),
        budget=budget,
        reasons=tuple(reasons),
        missing=_missing(a, sights, spots),
        sigma_deg=float(np.degrees(standard_u(result, a))),
        dof=result.dof[a] if np.isfinite(result.dof.get(a, np.inf)) else None,
        declination_sigma_deg=float(np.degrees(result.declination.get(a, 0.0))),
        own_u95_deg=float(np.degrees(u95_of_mode(result, a, 0))) if others else None,
    )


def _unsure(spots: Mapping[str, Spot]) -> str | None:
    """In words, if no photo says for sure which antenna this is."""
    matches = [s.match for s in spots.values() if s.match is not None]
    if not matches or len(matches) < len(spots) or not all(m.ambiguous for m in matches):
        return None
    best = max(matches, key=lambda m: m.probability)
    others = ", ".join(f"{o.antenna} ({o.probability:.0%})" for o in best.alternatives if o.antenna is not None)
    told = f"which antenna it is, is not sure ({best.probability:.0%})"
    return f"{told}; it may be {others}" if others else told


def _evidence(result: NetworkSolution, photo: PhotoObservations, antenna: str, spot: Spot) -> EvidenceView:
    mode = photo.boxes[antenna][result.choice[photo.name, antenna]]
    x, layout = result.adjusted.x, result.network.layout
    ai, pi, si = layout.antenna(antenna), layout.photo(photo.name), layout.site()
    back = x[pi[3:5]] - (x[ai[3:5]] + x[si])
    yaw = float(wrap_rad(x[ai[0]] - np.arctan2(back[0], back[1])))

    return EvidenceView(
        photo=photo.name,
        view=_view(mode, yaw),
        corners_px=_pairs(mode.corners_px[:4]),
        outline_px=_pairs(mode.outline_px),
        inner_px=tuple((_pairs(e)[0], _pairs(e)[1]) for e in mode.inner_px),
        width_px=mode.width_px,
        yaw_deg=float(np.degrees(yaw)),
        quality=mode.quality,
        from_pick=spot.picked,
        name_probability=None if spot.match is None else spot.match.probability,
    )
