"""What the finder makes of rendered photos with exact truth: found, missed, named, and pictures of what went wrong."""

from __future__ import annotations

import json
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.optimize import linear_sum_assignment

from photoaz.estimate.inputs import LocalPhoto
from photoaz.estimate.panels import LEAST_PROBABILITY, PhotoPanels, find_in, name_panels
from photoaz.estimate.priors import antenna_priors_of
from photoaz.estimate.statements import declination_at, known_photo_of, open_photo
from photoaz.geodesy.frames import EnuFrame
from photoaz.naming.expected import head_guess
from photoaz.naming.model import AntennaPriors, KnownPhoto
from photoaz.photo.pixels import decode
from photoaz.quantities import CAMERA_HEIGHT_M, RADIUS_95
from photoaz.register.load import load_register, require_sites
from photoaz.register.model import Control
from photoaz.vision.finder import FoundPanels
from photoaz.vision.panel_network import WORK_PX

from .classical import classical_panels

Array = NDArray[Any]

HEADING_U95_DEG = 0.2
#: share of the union of two outlines from which a box is that panel's, and below which nothing is there
SAME, NOTHING = 0.4, 0.2
#: angle of the front's normal off the direction to the camera, in plan, degrees
VIEWS = (("face", 0.0, 30.0), ("oblique", 30.0, 65.0), ("profile", 65.0, 115.0), ("rear", 115.0, 181.0))
TILE = (200, 260)


@dataclass(slots=True, kw_only=True)
class Panel:
    """A panel that shows at least a little in a photo, and what became of it. box: the finder's, by its index."""

    case: str
    photo: str
    antenna: str
    kind: str
    mount: str
    sky: str
    width_px: float
    off_deg: float
    body: float
    front: float
    inside: bool
    outline: Array
    box: int | None = None
    probability: float = 0.0
    share: float = 0.0
    in_window: bool = True
    said: str = "not named at all"
    name: str | None = None
    sure: float = 0.0
    ambiguous: bool = False
    plain_score: float | None = None

    @property
    def counts(self) -> bool:
        """One that should be found: the body shows, all of it is in the frame."""
        return self.inside and self.body >= 0.7 and self.width_px >= 12.0

    @property
    def goal(self) -> bool:
        """One that the goals speak of."""
        return self.counts and self.front >= 0.5 and self.width_px >= 20.0

    @property
    def found(self) -> bool:
        return self.box is not None

    def found_surely(self, least: float) -> bool:
        return self.found and self.probability >= least

    def found_plainly(self, least: float) -> bool:
        """By edge pairs."""
        return self.plain_score is not None and self.plain_score >= least

    @property
    def right(self) -> bool:
        return self.found and self.name == self.antenna

    @property
    def label(self) -> str:
        return f"{self.case} {self.photo[6]} {self.antenna[-2:]}"

    @property
    def view(self) -> str:
        return next(v for v, low, high in VIEWS if low <= self.off_deg < high)

    @property
    def why_missed(self) -> str:
        near = f"boxed badly, share {self.share:.2f}" if self.share >= NOTHING else "no box"
        return near if self.in_window else "outside the window"


@dataclass(slots=True, kw_only=True)
class Box:
    """A box told by a finder. panel: whose it is; share: of the union, the most with any panel.

    apart: it is none of the learned finder's boxes.
    """

    photo: str
    score: float
    panel: Panel | None
    share: float
    apart: bool = False

    @property
    def false(self) -> bool:
        return self.panel is None and self.share < NOTHING

    @property
    def poor(self) -> bool:
        """On a panel, but badly, or a second time."""
        return self.panel is None and self.share >= NOTHING


@dataclass(slots=True, kw_only=True)
class Outcome:
    """Everything of one run."""

    panels: list[Panel] = field(default_factory=list)
    boxes: list[Box] = field(default_factory=list)
    plain: list[Box] = field(default_factory=list)
    names: list[tuple[float, bool]] = field(default_factory=list)
    named_false: int = 0
    photos: int = 0
    order: list[str] = field(default_factory=list)
    read_s: list[float] = field(default_factory=list)
    find_s: list[float] = field(default_factory=list)
    name_s: list[float] = field(default_factory=list)
    plain_s: list[float] = field(default_factory=list)
    tiles: dict[str, list[Array]] = field(default_factory=dict)


def hull(corners: Array) -> Array:
    return cv2.convexHull(np.asarray(corners, np.float32))


def share_of_union(a: Array, b: Array) -> float:
    area = cv2.intersectConvexConvex(a, b)[0]
    whole = cv2.contourArea(a) + cv2.contourArea(b) - area
    return float(area / whole) if whole > 0 else 0.0


def width_across(corners: Array) -> float:
    """Extent of the box's eight corners across its long axis, px."""
    axis = corners[[0, 1, 4, 5]].mean(0) - corners[[2, 3, 6, 7]].mean(0)
    return float(np.ptp(corners @ np.array([-axis[1], axis[0]]) / np.hypot(*axis)))


def panels_of(case: Path, truth: dict[str, Any], photo: dict[str, Any]) -> list[Panel]:
    out = []
    for q in photo["panels"]:
        corners = np.array(q["corners_px"], float)
        out.append(
            Panel(
                case=case.name[:3],
                photo=photo["file"],
                antenna=q["antenna_id"],
                kind=truth["tower"]["kind"],
                mount=truth["tower"]["mount"],
                sky=truth["sky"],
                width_px=width_across(corners),
                off_deg=abs(q["horizontal_off_angle_deg"]),
                body=q["body_visible_fraction"],
                front=q["front_visible_fraction"],
                inside=q["all_corners_inside"],
                outline=hull(corners),
            )
        )
    return out


def paired(outlines: Sequence[Array], panels: Sequence[Panel]) -> tuple[dict[int, int], Array]:
    """Which box is which panel's, each at most once; and the shares (boxes, panels).

    A panel that shows is preferred to one hidden behind it.
    """
    if not outlines or not panels:
        return {}, np.zeros((len(outlines), len(panels)))
    shares = np.array([[share_of_union(o, p.outline) for p in panels] for o in outlines])
    worth = np.where(shares >= SAME, shares * (0.3 + np.array([p.body for p in panels])), 0.0)
    rows, columns = linear_sum_assignment(-worth)
    return {int(r): int(c) for r, c in zip(rows, columns, strict=True) if worth[r, c] > 0}, shares


@contextmanager
def timing(into: list[float]) -> Iterator[None]:
    start = time.perf_counter()
    yield
    into.append(time.perf_counter() - start)


def sizes_px(
    standing: KnownPhoto, antennas: Sequence[AntennaPriors], found: FoundPanels
) -> list[tuple[float, float, float]]:
    """Width, height, depth of the site's antennas at the window's scale, heights foreshortened."""
    guess = head_guess(standing, antennas, 0.0)
    per_m = WORK_PX / guess.width_m
    if found.window.scale >= 3.0 and guess.distance_m is not None:
        per_m = standing.camera.f_px * found.window.scale / guess.distance_m
    cos = 0.9
    if standing.standpoint is not None:
        up = float(np.median([a.up_m for a in antennas])) - CAMERA_HEIGHT_M[0]
        flat = max(float(np.hypot(*standing.standpoint[0])), 2.0)
        cos = flat / float(np.hypot(flat, up))
    sizes = [np.exp(a.ln_size) * per_m for a in antennas]
    return [(float(w), float(h * cos), float(d)) for w, h, d in sizes]


def outcome_of(mode: str, cases: list[Path]) -> Outcome:
    out = Outcome()
    for case in cases:
        truth = json.loads((case / "truth.json").read_text())
        site = require_sites(load_register(case / "register.csv"))[0]
        facts = {a.antenna_id: antenna_priors_of(a, site) for a in site.antennas}
        antennas, sigma = list(facts.values()), site.position_u95_m / RADIUS_95
        frame = EnuFrame(lat_deg=site.lat_deg, lon_deg=site.lon_deg, height_m=0.0)
        standings: list[KnownPhoto] = []
        found: list[FoundPanels] = []
        images = []
        for p in truth["photos"]:
            path = case / p["file"]
            heading = Control(
                photo=p["file"], kind="heading", u95=HEADING_U95_DEG, azimuth_true_deg=p["heading_deg"] % 360.0
            )
            file = LocalPhoto(name=p["file"], path=path)
            photo = open_photo(file, [heading] if mode == "heading" else [], [], None)
            standing = known_photo_of(p["file"], photo, frame, declination_at(photo.record, site), site.ground_m)
            with timing(out.read_s):
                cv2.imread(str(path))
            image = decode(path)
            if not out.find_s:
                find_in(image, standing, antennas, sigma)  # the networks are read once
            with timing(out.find_s):
                found.append(find_in(image, standing, antennas, sigma))
            standings.append(standing)
            images.append(image)
        with timing(out.name_s):
            named = name_panels(standings, found, site, facts)
        for p, standing, f, sighted, image in zip(truth["photos"], standings, found, named, images, strict=True):
            panels = panels_of(case, truth, p)
            with timing(out.plain_s):
                boxes = classical_panels(f.window.cut(image), sizes_px(standing, antennas, f))
            plain = [(f.window.to_frame(corners), score) for corners, score in boxes]
            _judge(out, case, panels, f, sighted, plain, image)
    return out


def _judge(
    out: Outcome,
    case: Path,
    panels: list[Panel],
    found: FoundPanels,
    sighted: PhotoPanels,
    plain: Sequence[tuple[Array, float]],
    image: Array,
) -> None:
    """Compare one photo with its truth, and picture what went wrong."""
    photo = f"{case.name[:3]} {panels[0].photo[6]}"
    outlines = [hull(c.corners_px) for c in found.candidates]
    matches = {m.candidate: m for m in sighted.naming.matches} if sighted.naming is not None else {}
    pairs, shares = paired(outlines, panels)
    x0, y0, x1, y1 = found.window.box_px
    for j, one in enumerate(panels):
        one.share = float(shares[:, j].max(initial=0.0))
        x, y = one.outline.reshape(-1, 2).mean(0)
        one.in_window = bool(x0 <= x < x1 and y0 <= y < y1)
    boxes = []
    panel: Panel | None
    for k, candidate in enumerate(found.candidates):
        panel = panels[pairs[k]] if k in pairs else None
        m = matches.get(k)
        used = m is not None and m.antenna is not None and m.probability >= LEAST_PROBABILITY
        if panel is not None:
            panel.box, panel.probability = k, candidate.probability
            if m is not None:
                chances = [(m.antenna, m.probability), *m.alternatives]
                panel.said = ", ".join(f"{(a or 'none')[-4:]} {p:.2f}" for a, p in chances[:3]) + "?" * m.ambiguous
            if m is not None and used:
                panel.name, panel.sure, panel.ambiguous = m.antenna, m.probability, m.ambiguous
        near = panels[int(np.argmax(shares[k]))]
        boxes.append(Box(photo=photo, score=candidate.probability, panel=panel, share=float(shares[k].max())))
        if m is not None and m.antenna is not None:
            meant = panel if panel is not None else None if boxes[-1].false else near
            out.names.append((m.probability, meant is not None and meant.antenna == m.antenna))
        out.named_false += used and boxes[-1].false
    plain_outlines = [hull(c) for c, _ in plain]
    plain_pairs, plain_shares = paired(plain_outlines, panels)
    for k, (_, score) in enumerate(plain):
        panel = panels[plain_pairs[k]] if k in plain_pairs else None
        if panel is not None:
            panel.plain_score = score
        out.plain.append(
            Box(
                photo=photo,
                score=score,
                panel=panel,
                share=float(plain_shares[k].max()),
                apart=all(share_of_union(plain_outlines[k], o) < NOTHING for o in outlines),
            )
        )
    out.photos += 1
    out.order.append(photo)
    out.panels += panels
    out.boxes += boxes

    def tile(at: Array, title: str, second: str) -> Array:
        return pictured(image, at, panels, outlines, [c.probability for c in found.candidates], title, second)

    for one in panels:
        if one.counts and not one.found:
            second = f"{one.view} {one.width_px:.0f}px body {one.body:.2f} front {one.front:.2f}: {one.why_missed}"
            group = "missed" if one.goal else "missed_beyond_goal"
            out.tiles.setdefault(group, []).append(tile(one.outline, one.label, second))
        elif one.counts and not one.right:
            title = f"{one.label}: {one.said}"
            out.tiles.setdefault("misnamed", []).append(tile(one.outline, title, f"{one.view} {one.width_px:.0f}px"))
    for k, box in enumerate(boxes):
        if box.false or box.poor:
            group = "false" if box.false else "poor_or_double"
            title = f"{photo} p {box.score:.2f} share {box.share:.2f}"
            out.tiles.setdefault(group, []).append(tile(outlines[k], title, ""))


def pictured(
    image: Array,
    at: Array,
    panels: Sequence[Panel],
    outlines: Sequence[Array],
    probabilities: Sequence[float],
    title: str,
    second: str,
) -> Array:
    """A crop about an outline twice, bare and with the truth's panels (green, `at` thick) and the boxes (red) drawn."""
    points = at.reshape(-1, 2)
    middle = 0.5 * (points.min(0) + points.max(0))
    half = 0.85 * max(float(np.ptp(points[:, 1])), float(np.ptp(points[:, 0])) * TILE[1] / TILE[0], 30.0)
    scale = TILE[1] / (2 * half)
    to = np.array([[scale, 0, TILE[0] / 2 - scale * middle[0]], [0, scale, TILE[1] / 2 - scale * middle[1]]])
    reduce = 1
    while scale * reduce < 0.5:  # warping does not average
        reduce *= 2
    source = image
    if reduce > 1:
        low = np.floor(np.clip(middle - 2 * half, 0, None)).astype(int)
        part = image[low[1] : low[1] + int(4 * half), low[0] : low[0] + int(4 * half)]
        source = cv2.resize(part, None, fx=1 / reduce, fy=1 / reduce, interpolation=cv2.INTER_AREA)
        warp = np.column_stack([to[:, :2] * reduce, to[:, 2] + to[:, :2] @ (low + 0.5 * (reduce - 1))])
    else:
        warp = to
    bare = cv2.warpAffine(source, warp, TILE, flags=cv2.INTER_LINEAR, borderValue=(60, 60, 60))
    drawn = bare.copy()

    def outline(o: Array, colour: tuple[int, int, int], thick: int) -> None:
        p = o.reshape(-1, 2) @ to[:, :2].T + to[:, 2]
        cv2.polylines(drawn, [np.round(p * 16).astype(np.int32)], True, colour, thick, cv2.LINE_AA, 4)

    for panel in panels:
        if panel.body > 0.05:
            outline(panel.outline, (60, 200, 60), 2 if panel.outline is at else 1)
    for o, probability in zip(outlines, probabilities, strict=True):
        outline(o, (40, 40, 230), 2 if o is at else 1)
        p = o.reshape(-1, 2).mean(0) @ to[:, :2].T + to[:, 2]
        if 0 < p[0] < TILE[0] - 20 and 0 < p[1] < TILE[1]:
            where = (int(p[0]) - 10, int(p[1]))
            cv2.putText(drawn, f"{probability:.2f}", where, cv2.FONT_HERSHEY_SIMPLEX, 0.35, (40, 40, 230), 1)
    both = np.hstack([bare, drawn])
    strip = np.full((34, both.shape[1], 3), 255, np.uint8)
    for k, text in enumerate((title, second)):
        cv2.putText(strip, text, (4, 14 + 15 * k), cv2.FONT_HERSHEY_SIMPLEX, 0.42, (0, 0, 0), 1, cv2.LINE_AA)
    return cv2.copyMakeBorder(np.vstack([strip, both]), 3, 3, 3, 3, cv2.BORDER_CONSTANT, value=(255, 255, 255))
