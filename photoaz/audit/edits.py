"""What people did at the desk, from the log of it: picks, controls, photos left out, decisions.

The log only grows. What holds now is a fold over its rows: each sets or clears one thing, and is left out of the fold
where a later row of kind 'undo' names it, until one of kind 'redo' does.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any, TypeVar, get_args

from photoaz.errors import InputError, PhotoazError
from photoaz.register.model import Control, Pick, SeenView
from photoaz.register.toml import is_finite
from photoaz.result import Action, AntennaResult, ById, DeskDecision, RevisitItem, SiteResult
from photoaz.wording import GOING

if TYPE_CHECKING:
    from photoaz.audit.store import LogRow

K = TypeVar("K")
V = TypeVar("V")

#: kinds of rows that can be undone, and how a history names them
EDITS: Mapping[str, str] = {
    "pick": "antenna marked",
    "no_pick": "mark removed",
    "other_antenna": "named as another antenna",
    "not_antenna": "said to be no antenna",
    "control": "control set",
    "no_control": "control removed",
    "exclude_photo": "photo left out",
    "include_photo": "photo taken in again",
    "decision": "decision",
    "no_decision": "decision withdrawn",
    "note": "note",
}
#: what can be decided about an antenna; 'revisit' stands in logs of before: it did not say what for
VERDICTS: Mapping[str, str] = {
    "accept_reading": "reading accepted",
    "photos_wrong": "photos wrong, the reading stands",
    "photo": "to be photographed again",
    "read_again": "to be read again",
    "climb": "to be climbed",
    "revisit": "to be visited again",
    "correct_register": "register to be corrected",
}
#: what is to be done on the decision's account, where that is not what was proposed
_TO_DO: Mapping[str, str] = {
    "photo": "photograph {} again",
    "read_again": "read the azimuth of {} again",
    "climb": "climb: measure {}",
    "revisit": "visit {} again",
    "correct_register": "correct the register of {}",
}
_VISITS = ("photo", "read_again", "climb", "revisit")
_STANDS = ("accept_reading", "photos_wrong")
#: controls of which a photo can have several, told apart by their names
_NAMED = ("landmark", "bearing", "shadow")


class LogError(PhotoazError, ValueError):
    """A row that makes no sense; says what is wrong with it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Exclusion:
    """Why a photo is left out, by whom and when."""

    who: str
    at: str
    note: str

    def reason(self) -> str:
        """As results have it."""
        return f"excluded at the desk by {self.who} on {self.at[:10]}" + (f": {self.note}" if self.note else "")


@dataclass(frozen=True, slots=True, kw_only=True)
class Decision:
    """What somebody decided about an antenna ('' is the site as a whole). verdict: one of `VERDICTS`."""

    antenna_id: str
    verdict: str
    note: str
    who: str
    at: str
    #: what was on the page when it was decided, such as the azimuth and its U95
    figures: Mapping[str, Any]

    def sentence(self) -> str:
        """As results have it."""
        said = f"decided at the desk by {self.who} on {self.at[:10]}: {VERDICTS[self.verdict]}"
        return said + (f" ({self.note})" if self.note else "")


@dataclass(frozen=True, slots=True, kw_only=True)
class Edits:
    """What holds now. Photos by the names that they have now.

    no_picks: (photo, antenna_id) whose rows in a table of picks do not count. no_controls: (photo, kind, name) of
    controls likewise. changed: photos whose content has changed since somebody marked something in them. undo, redo:
    the row that would be undone or done again next.
    """

    picks: tuple[Pick, ...] = ()
    controls: tuple[Control, ...] = ()
    no_picks: frozenset[tuple[str, str]] = frozenset()
    no_controls: frozenset[tuple[str, str, str]] = frozenset()
    excluded: Mapping[str, Exclusion] = field(default_factory=dict)
    decisions: tuple[Decision, ...] = ()
    changed: frozenset[str] = frozenset()
    undo: int | None = None
    redo: int | None = None

    def with_picks(self, given: Sequence[Pick]) -> tuple[Pick, ...]:
        """A table's picks and those made here, which come before it."""
        mine = {(p.photo, p.antenna_id) for p in self.picks if not p.absent} | self.no_picks
        return (*self.picks, *(p for p in given if (p.photo, p.antenna_id) not in mine))

    def with_controls(self, given: Sequence[Control]) -> tuple[Control, ...]:
        """A table's controls and those set here, which come before it."""
        mine = {control_slot(c) for c in self.controls} | self.no_controls
        return (*self.controls, *(c for c in given if control_slot(c) not in mine))


def control_slot(c: Control) -> tuple[str, str, str]:
    """What a control is known by: its photo, its kind, and its name where a photo can have several."""
    return (c.photo, c.kind, c.name if c.kind in _NAMED else "")


def standing_rows(rows: Iterable[LogRow]) -> tuple[list[LogRow], int | None, int | None]:
    """The rows that hold, in order, and which would be undone and which done again next (by log_id)."""
    kept = sorted(rows, key=lambda r: r.log_id)
    undone: set[int] = set()
    again: list[int] = []
    for row in kept:
        of = row.body.get("of")
        if row.kind == "undo" and isinstance(of, int):
            undone.add(of)
            again.append(of)
        elif row.kind == "redo" and isinstance(of, int):
            undone.discard(of)
            again = [k for k in again if k != of]
        elif row.kind in EDITS:
            again = []
    standing = [r for r in kept if r.kind in EDITS and r.log_id not in undone]
    return standing, standing[-1].log_id if standing else None, again[-1] if again else None


def edits_of(rows: Iterable[LogRow], photos: Mapping[str, str | None]) -> Edits:
    """What holds at a site.

    rows : of one site, in any order. photos : digest of the content by name, of the site's photos as they are now. A
    row is of the photo with the content that it was made on, whatever that is called now; where there is none, of the
    photo by its name, which then counts as changed.
    """
    standing, undo, redo = standing_rows(rows)
    by_digest: dict[str, str] = {}
    for name, digest in photos.items():
        by_digest.setdefault(digest or "", name)
    fold = _Fold()
    changed: set[str] = set()
    for row in standing:
        photo = row.photo
        if photo is not None and row.digest and photos.get(photo) != row.digest:
            photo = by_digest.get(row.digest, photo)
            if photo in photos and photos[photo] != row.digest:
                changed.add(photo)
        # a photo that is not here now may come back, and what was said of it with it
        if photo is None or photo in photos:
            fold.take(row, photo or "")
    return Edits(
        picks=(*(p for p in fold.picks.values() if p is not None), *fold.absent.values()),
        controls=tuple(c for c in fold.controls.values() if c is not None),
        no_picks=frozenset(slot for slot, p in fold.picks.items() if p is None),
        no_controls=frozenset(slot for slot, c in fold.controls.items() if c is None),
        excluded={photo: e for photo, e in fold.excluded.items() if e is not None},
        decisions=tuple(d for d in fold.decisions.values() if d is not None),
        changed=frozenset(changed),
        undo=undo,
        redo=redo,
    )


class _Fold:
    """What the rows taken so far come to. None stands for what was taken away."""

    def __init__(self) -> None:
        self.picks: dict[tuple[str, str], Pick | None] = {}
        self.absent: dict[tuple[str, str], Pick] = {}
        self.controls: dict[tuple[str, str, str], Control | None] = {}
        self.excluded: dict[str, Exclusion | None] = {}
        self.decisions: dict[str, Decision | None] = {}

    def take(self, row: LogRow, photo: str) -> None:
        """The next row. photo: as it is called now, '' where the row concerns the site as a whole."""
        body = row.body
        name, note = str(body.get("antenna_id", "")), str(body.get("note", ""))
        match row.kind:
            case "pick" | "other_antenna":
                pick = pick_of(photo, body)
                was = body.get("was")
                if row.kind == "other_antenna" and was and was != name:
                    _put(self.picks, (photo, str(was)), None)
                _put(self.picks, (photo, name), pick)
                self.absent = {k: p for k, p in self.absent.items() if k[0] != photo or not _same_place(p, pick)}
            case "no_pick":
                _put(self.picks, (photo, name), None)
            case "not_antenna":
                pick = replace(pick_of(photo, body), absent=True, corners_px=None)
                self.absent[photo, str(pick.seed_px)] = pick
                if name:
                    _put(self.picks, (photo, name), None)
            case "control":
                control = control_of(photo, body)
                _put(self.controls, control_slot(control), control)
            case "no_control":
                kind = str(body.get("kind"))
                _put(self.controls, (photo, kind, str(body.get("name", "")) if kind in _NAMED else ""), None)
            case "exclude_photo":
                _put(self.excluded, photo, Exclusion(who=row.who, at=row.at, note=note))
            case "include_photo":
                _put(self.excluded, photo, None)
            case "decision":
                said: Any = {"verdict": str(body["verdict"]), "figures": dict(body.get("figures") or {})}
                _put(self.decisions, name, Decision(antenna_id=name, note=note, who=row.who, at=row.at, **said))
            case "no_decision":
                _put(self.decisions, name, None)


def _put(slots: dict[K, V | None], slot: K, value: V | None) -> None:
    """What was taken away and comes again comes last; what is changed stays in its place."""
    if slots.get(slot) is None:
        slots.pop(slot, None)
    slots[slot] = value


def decisions_by_site(rows: Iterable[LogRow]) -> dict[str, tuple[Decision, ...]]:
    """What was decided, by site_id, from the whole log of an audit."""
    by_site: dict[str, list[LogRow]] = {}
    for row in rows:
        by_site.setdefault(row.site_id, []).append(row)
    found = {site_id: edits_of(some, {}).decisions for site_id, some in by_site.items()}
    return {site_id: decisions for site_id, decisions in found.items() if decisions}


def with_decisions(site: SiteResult, decisions: Sequence[Decision]) -> SiteResult:
    """A site's result with what people decided about it, which comes before what was worked out.

    An antenna to be visited again is on the list, as the last where photoaz had not put it there, with the action that
    was decided; one whose reading stands is not. Each says who decided and when; expected losses stay what they were.
    """
    of = {d.antenna_id: d for d in decisions}

    def decision(antenna_id: str) -> Decision | None:
        return of.get(antenna_id) or of.get("")

    antennas = [_decided(a, decision(a.antenna_id)) for a in site.antennas]
    if site.revisit is None:
        return replace(site, antennas=ById(antennas))
    listed = []
    for item in site.revisit.antennas:
        d = decision(item.antenna_id)
        if d is None:
            listed.append(item)
        elif d.verdict not in _STANDS:
            listed.append(_listed_as(item, d))
    there = {item.antenna_id for item in listed}
    for name, d in of.items():
        if site.antennas.get(name) is not None and name not in there and d.verdict in _VISITS:
            listed.append(_listed(name, d, len(listed) + 1))
    trip = site.revisit.trip or any(d.verdict in _VISITS for d in decisions)
    return replace(site, antennas=ById(antennas), revisit=replace(site.revisit, antennas=tuple(listed), trip=trip))


def _decided(antenna: AntennaResult, decision: Decision | None) -> AntennaResult:
    if decision is None:
        return antenna
    return replace(
        antenna,
        revisit=decision.verdict in _VISITS or (antenna.revisit and decision.verdict not in _STANDS),
        reasons=(*antenna.reasons, decision.sentence()),
        decision=DeskDecision(verdict=decision.verdict, note=decision.note, who=decision.who, at=decision.at),
    )


def _listed_as(item: RevisitItem, decision: Decision) -> RevisitItem:
    """An entry of the list with a person's decision, whose action goes before the one proposed."""
    item = replace(item, reasons=(*item.reasons, decision.sentence()))
    if decision.verdict == item.action or (decision.verdict == "revisit" and item.action in GOING):
        return item
    return replace(item, **_asked(item.antenna_id, decision), bring=None)


def _asked(antenna_id: str, decision: Decision) -> dict[str, Any]:
    """Action and instruction of an entry, as a person asked for them."""
    to_do = _TO_DO[decision.verdict].format(antenna_id) + (f": {decision.note}" if decision.note else "")
    action = decision.verdict if decision.verdict in get_args(Action) else "read_again"
    return {"action": action, "instruction": to_do}


def _listed(antenna_id: str, decision: Decision, rank: int) -> RevisitItem:
    """An entry of the list that a person asked for."""
    return RevisitItem(
        rank=rank,
        antenna_id=antenna_id,
        reasons=(decision.sentence(),),
        **_asked(antenna_id, decision),
        expected_loss_now=0.0,
        expected_loss_after=0.0,
        cost=0.0,
        loss_avoided=0.0,
        figures="asked for at the desk",
    )


def _same_place(absent: Pick, pick: Pick) -> bool:
    """Whether a mark lies on what was said to be no antenna: the later word holds."""
    if absent.seed_px is None:
        return False
    x, y = absent.seed_px
    if pick.corners_px is None:
        return pick.seed_px is not None and abs(pick.seed_px[0] - x) < 5.0 and abs(pick.seed_px[1] - y) < 5.0
    xs, ys = [p[0] for p in pick.corners_px], [p[1] for p in pick.corners_px]
    return min(xs) <= x <= max(xs) and min(ys) <= y <= max(ys)


# ---- rows' bodies, checked -------------------------------------------------------------------------------------------


def pick_of(photo: str, body: Mapping[str, Any]) -> Pick:
    """Of {antenna_id, corners_px | seed_px, exact, view}. Raises LogError."""
    corners = body.get("corners_px")
    if corners is not None and (not isinstance(corners, (list, tuple)) or len(corners) != 4):
        raise LogError("corners_px: wanted 4 points")
    points = None if corners is None else tuple(point_of(p) for p in corners)
    seed = body.get("seed_px")
    if points is None and seed is None:
        raise LogError("a mark needs corners_px (four points) or seed_px (one)")
    sides, view = get_args(SeenView), body.get("view") or None
    if view not in (None, *sides):
        raise LogError(f"found view {view!r}; wanted one of {', '.join(sides)}, or nothing")
    return Pick(
        photo=photo,
        antenna_id=str(body.get("antenna_id", "")),
        seed_px=None if seed is None else point_of(seed),
        corners_px=points,
        exact=bool(body.get("exact", False)),
        view=view,
    )


def control_of(photo: str, body: Mapping[str, Any]) -> Control:
    """Of a control's fields, `kind` and what that kind needs; u95 where blank as in a table. Raises LogError."""
    from photoaz.register.load import control_of_cells

    pixel, tip = (None if body.get(k) is None else point_of(body[k]) for k in ("pixel", "tip_px"))
    cells = {"photo": photo or "-", "kind": str(body.get("kind", "")), "name": str(body.get("name", ""))}
    for column in ("lat_deg", "lon_deg", "height_m", "azimuth_true_deg", "value_deg", "u95"):
        value = _number(body.get(column), column)
        if value is not None:
            cells[column] = repr(value)
    if pixel is not None:
        cells |= {"x_px": repr(pixel[0]), "y_px": repr(pixel[1])}
    if tip is not None:
        cells |= {"x2_px": repr(tip[0]), "y2_px": repr(tip[1])}
    try:
        return replace(control_of_cells(cells), photo=photo)
    except InputError as e:
        raise LogError(str(e)) from None


def checked(kind: str, body: Mapping[str, Any], photo: str | None, antenna_ids: Iterable[str]) -> None:
    """Raise LogError, in words for whoever sits at the desk, where a row to be appended makes no sense."""
    import shapely

    if kind not in (*EDITS, "undo", "redo", "looked"):
        raise LogError(f"found kind {kind!r}; wanted one of {', '.join(EDITS)}, undo, redo, looked")
    if photo is None and kind in EDITS and kind not in ("decision", "no_decision", "note"):
        raise LogError(f"a {kind} needs the photo that it is about")
    known = set(antenna_ids)
    name = str(body.get("antenna_id", ""))
    needs = kind in ("pick", "no_pick", "other_antenna") or (kind == "decision" and name)
    if needs and name not in known:
        raise LogError(f"antenna '{name}' is none of this site's: {', '.join(sorted(known))}")
    if kind in ("pick", "other_antenna", "not_antenna"):
        pick = pick_of(photo or "", body)
        if kind == "not_antenna" and pick.seed_px is None:
            raise LogError("'no antenna' needs the point where there is none (seed_px)")
        if pick.corners_px is not None and shapely.Polygon(pick.corners_px).area < 1.0:
            raise LogError("the four corners lie on one line: drag them apart")
    elif kind == "control":
        control_of(photo or "", body)
    elif kind == "decision" and body.get("verdict") not in VERDICTS:
        raise LogError(f"found verdict {body.get('verdict')!r}; wanted one of {', '.join(VERDICTS)}")
    elif kind == "decision" and body["verdict"] == "photos_wrong" and not str(body.get("note") or "").strip():
        raise LogError("that the photos are wrong needs a reason: write it into the note")
    elif kind in ("undo", "redo") and not isinstance(body.get("of"), int):
        raise LogError(f"an {kind} needs the number of the row that it is about (of)")


def point_of(value: Any) -> tuple[float, float]:
    """A pair of numbers, pixels. Raises LogError where it is none."""
    if isinstance(value, (list, tuple)) and len(value) == 2:
        x, y = (_number(v, "pixel") for v in value)
        if x is not None and y is not None and max(abs(x), abs(y)) <= 1e6:
            return x, y
    raise LogError("a point is a pair of numbers, pixels from the left and from the top")


def _number(value: Any, name: str) -> float | None:
    if value is None or value == "":
        return None
    if not is_finite(value):
        raise LogError(f"{name}: found {value!r}; wanted a number")
    return float(value)
