"""Interior orientation from photos of a chessboard, kept in a file and applied to other photos of the same camera.

A calibration belongs to the picture as the sensor stores it. A photo that is shown turned gets its principal point
turned with it; one that was made smaller gets everything scaled.
"""

from __future__ import annotations

import json
import math
from collections.abc import Sequence
from dataclasses import Field, asdict, dataclass, fields
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from photoaz.errors import Fault, InputError
from photoaz.photo.camera import Camera
from photoaz.photo.metadata import read_record
from photoaz.photo.pixels import decode_gray, turn
from photoaz.photo.record import PhotoRecord
from photoaz.register.toml import is_finite, read_document

SCHEMA = "photoaz/camera/1"
MIN_PHOTOS = 3
#: The board is looked for in a picture of at most this size; its corners are then refined in the full one.
_SEARCH_PX = 1600
#: Focus, temperature and the board's flatness keep f from being known better than this.
_MIN_F_SIGMA = 0.001
#: How far f by the metadata may be from a calibration before the photo must come from another lens.
_OTHER_LENS = 0.15
_COVERAGE_CELLS = 6


@dataclass(frozen=True, slots=True, kw_only=True)
class Calibration:
    """One lens's interior orientation, for pictures as stored (width_px is along the sensor's rows).

    Pixels with the upper-left pixel's centre at (0, 0). The sigmas are standard uncertainties. rms_px: residual per
    corner; coverage: share of the frame that the board was seen in, [0, 1]; pattern: inner corners, columns by rows.
    """

    width_px: int
    height_px: int
    fx_px: float
    fy_px: float
    cx_px: float
    cy_px: float
    k1: float
    k2: float
    sigma_f_px: float
    sigma_cx_px: float
    sigma_cy_px: float
    sigma_k1: float
    sigma_k2: float
    rms_px: float
    coverage: float
    pattern: tuple[int, int]
    square_mm: float
    date: str
    photos: tuple[str, ...]
    not_found: tuple[str, ...] = ()
    make: str | None = None
    model: str | None = None

    def summary(self) -> str:
        """What was found, for people."""
        lines = [
            f"f = {self.fx_px:.1f} +- {2 * self.sigma_f_px:.1f} px (95 %), residual {self.rms_px:.2f} px rms, "
            f"{len(self.photos)} photos of {self.width_px} x {self.height_px}.",
            f"Optical axis at ({self.cx_px:.1f}, {self.cy_px:.1f}); distortion k1 {self.k1:+.4f}, k2 {self.k2:+.4f}.",
            f"The board was seen in {100 * self.coverage:.0f} % of the frame.",
        ]
        if self.coverage < 0.6:
            lines.append("Take more photos with the board near the edges: the distortion there is only extrapolated.")
        if self.rms_px > 1.0:
            lines.append("The residual is large: check that the board is flat and the photos are sharp.")
        if self.not_found:
            lines.append("Board not found in: " + ", ".join(self.not_found) + ".")
        return "\n".join(lines)


def calibrate(
    paths: Sequence[Path], pattern: tuple[int, int], square_mm: float, *, date: datetime | None = None
) -> Calibration:
    """Calibrate from photos of a flat chessboard, held at different tilts and places in the frame.

    paths : at least three photos by one lens, none of them zoomed or cropped. pattern : inner corners, (columns, rows):
    one less than squares each way. square_mm : side of a square.

    Raises InputError: fewer than three photos show the board (each that does not is named), the photos differ in size,
    or the pattern makes no sense.

    Zhang's method (IEEE TPAMI 22(11), 2000) as cv2 has it, with square pixels, k1 and k2. Standard deviations are those
    of the adjustment, which knows only of the corners' scatter; f gets a floor of 0.1 %.
    """
    if min(pattern) < 3 or square_mm <= 0.0 or not math.isfinite(square_mm):
        found = f"{pattern[0]} x {pattern[1]} corners of {square_mm:g} mm"
        raise _fault("pattern", found, "at least 3 x 3 inner corners and a positive size")
    boards: list[_Board] = []
    faults: list[Fault] = []
    for path in map(Path, paths):
        try:
            boards.append(_board(path, pattern, boards[0].size if boards else None))
        except InputError as err:
            faults.extend(err.faults)
    if len(boards) < MIN_PHOTOS:
        few = _fault("calibration", f"{len(boards)} usable photos", f"at least {MIN_PHOTOS} that show the whole board")
        raise InputError([*few.faults, *faults])
    return _adjust(boards, faults, pattern, square_mm, date or datetime.now(UTC))


def _fault(file: Path | str, found: str, wanted: str) -> InputError:
    return InputError(Fault(file=file, found=found, wanted=wanted))


class _Board(NamedTuple):
    """A photo of the board: its record, its size as stored, and the board's corners (n, 2) in it, pixels."""

    record: PhotoRecord
    size: tuple[int, int]
    corners: NDArray[np.float32]


def _board(path: Path, pattern: tuple[int, int], size: tuple[int, int] | None) -> _Board:
    """Raises InputError: no photo, of another size than the others, or without the board."""
    record = read_record(path)
    grey = turn(decode_gray(path), _INVERSE[record.orientation])
    here = (grey.shape[1], grey.shape[0])
    if size is not None and here != size:
        raise _fault(path, f"{here[0]} x {here[1]} pixels", f"{size[0]} x {size[1]} as the first photo")
    corners = _corners(grey, pattern)
    if corners is None:
        raise _fault(path, "no chessboard", f"all {pattern[0]} x {pattern[1]} inner corners")
    return _Board(record, here, corners)


#: The orientation that undoes another.
_INVERSE = {1: 1, 2: 2, 3: 3, 4: 4, 5: 5, 6: 8, 7: 7, 8: 6}


def _corners(grey: NDArray[np.uint8], pattern: tuple[int, int]) -> NDArray[np.float32] | None:
    import cv2

    longest = max(grey.shape)
    scale = min(1.0, _SEARCH_PX / longest)
    small = grey if scale == 1.0 else cv2.resize(grey, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)
    flags = cv2.CALIB_CB_ADAPTIVE_THRESH | cv2.CALIB_CB_NORMALIZE_IMAGE | cv2.CALIB_CB_FAST_CHECK
    ok, corners = cv2.findChessboardCorners(small, pattern, flags=flags)
    if not ok or corners is None:
        return None
    points = np.asarray(corners, np.float32).reshape(-1, 2)
    points = ((points + 0.5) / scale - 0.5).astype(np.float32)
    grid = points.reshape(pattern[1], pattern[0], 2)
    spacing = min(np.linalg.norm(np.diff(grid, axis=k), axis=-1).min() for k in (0, 1))
    half = int(np.clip(0.3 * spacing, 2, 15))  # a window that holds one corner only
    criteria = (cv2.TERM_CRITERIA_EPS | cv2.TERM_CRITERIA_MAX_ITER, 50, 1e-3)
    refined = cv2.cornerSubPix(grey, points.reshape(-1, 1, 2).copy(), (half, half), (-1, -1), criteria)
    return np.asarray(refined, np.float32).reshape(-1, 2)


def _adjust(
    boards: list[_Board], faults: list[Fault], pattern: tuple[int, int], square_mm: float, date: datetime
) -> Calibration:
    import cv2

    size, tilted = boards[0].size, "boards at different tilts"
    board = np.zeros((pattern[0] * pattern[1], 3), np.float32)
    board[:, :2] = np.mgrid[: pattern[0], : pattern[1]].T.reshape(-1, 2) * square_mm
    flags = cv2.CALIB_FIX_ASPECT_RATIO | cv2.CALIB_ZERO_TANGENT_DIST | cv2.CALIB_FIX_K3
    corners = [b.corners.reshape(-1, 1, 2) for b in boards]
    try:
        rms, matrix, distortion, _, _, sigmas, *_ = cv2.calibrateCameraExtended(
            [board] * len(boards), corners, size, np.eye(3), np.zeros(5), flags=flags
        )
    except cv2.error as err:
        reason = str(err).strip().splitlines()[-1]
        raise _fault("calibration", f"photos that cannot be solved ({reason})", tilted) from None
    sigma = np.asarray(sigmas, float).ravel()
    k = np.asarray(distortion, float).ravel()
    f = float(matrix[1, 1])
    if not all(math.isfinite(float(n)) for n in (rms, f, *sigma[:6])) or f <= 0.0:
        raise _fault("calibration", "photos that leave f undetermined", tilted)
    seen = np.zeros((_COVERAGE_CELLS, _COVERAGE_CELLS), bool)
    cells = np.concatenate([b.corners / np.asarray(size) for b in boards]) * _COVERAGE_CELLS
    seen[tuple(np.clip(cells, 0, _COVERAGE_CELLS - 1).astype(int).T[::-1])] = True
    return Calibration(
        width_px=size[0],
        height_px=size[1],
        fx_px=float(matrix[0, 0]),
        fy_px=f,
        cx_px=float(matrix[0, 2]),
        cy_px=float(matrix[1, 2]),
        k1=float(k[0]),
        k2=float(k[1]),
        # with the aspect fixed, only one of the two carries the sigma
        sigma_f_px=max(float(sigma[0]), float(sigma[1]), _MIN_F_SIGMA * f),
        sigma_cx_px=float(sigma[2]),
        sigma_cy_px=float(sigma[3]),
        sigma_k1=float(sigma[4]),
        sigma_k2=float(sigma[5]),
        rms_px=float(rms),
        coverage=float(seen.mean()),
        pattern=pattern,
        square_mm=square_mm,
        date=date.isoformat(timespec="seconds"),
        photos=tuple(b.record.name for b in boards),
        not_found=tuple(Path(fault.file).name for fault in faults),
        make=boards[0].record.make,
        model=boards[0].record.model,
    )


def save_calibration(calibration: Calibration, path: Path) -> None:
    """Write a calibration as JSON."""
    content = {"schema": SCHEMA, **asdict(calibration)}
    path.write_text(json.dumps(content, indent=1) + "\n", encoding="utf-8")


def load_calibration(path: Path) -> Calibration:
    """Read a calibration. Raises InputError: not JSON, another schema, a value missing or impossible."""
    content = read_document(Path(path), SCHEMA, "a calibration written by 'photoaz calibrate'")
    faults: list[Fault] = []
    values: dict[str, Any] = {}
    for item in fields(Calibration):
        value = content.get(item.name, [] if item.name == "not_found" else None)
        good, expected = _checked(item, value)
        values[item.name] = tuple(value) if isinstance(value, list) else value
        if not good:
            found = "nothing" if value is None else repr(value)
            faults.append(Fault(file=path, column=item.name, found=found, wanted=expected))
    if faults:
        raise InputError(faults)
    return Calibration(**values)


def _checked(item: Field[Any], value: Any) -> tuple[bool, str]:
    """Whether a field's value in a file is of its type and possible, and what is wanted."""
    items = value if isinstance(value, list) else [None]
    match str(item.type):
        case "str" | "str | None":
            return isinstance(value, str) or (value is None and "None" in str(item.type)), "text"
        case "tuple[str, ...]":
            return all(isinstance(v, str) for v in items), "a list of file names"
        case "tuple[int, int]":
            return [type(v) for v in items] == [int, int], "two whole numbers"
        case "int":
            return type(value) is int and value > 0, "a positive whole number"
    if item.name in ("fx_px", "fy_px", "square_mm"):
        return is_finite(value) and value > 0.0, "a positive number"
    if item.name.startswith("sigma"):
        return is_finite(value) and value >= 0.0, "a number from 0"
    return is_finite(value), "a number"


def camera_from_calibration(calibration: Calibration, record: PhotoRecord) -> Camera:
    """The camera of one photo by a calibration, in pixels of that photo as shown.

    Raises InputError: the photo has other proportions, was cropped, or its metadata speak of another lens.
    """
    turned = record.orientation >= 5
    width, height = (record.height_px, record.width_px) if turned else (record.width_px, record.height_px)
    scale = width / calibration.width_px
    wanted = f"a photo of the calibrated size, {calibration.width_px} x {calibration.height_px}, or that made smaller"
    # proportions that are unusual are those of the calibrated camera itself; a crop shows in the size that was noted
    noted = record.provenance.noted_px
    cut = record.cropped and noted is not None and sorted(noted) != sorted((width, height))
    if cut or abs(height / calibration.height_px / scale - 1.0) > 0.005:
        found = f"{width} x {height} pixels" + (f", cut from {noted[0]} x {noted[1]}" if cut and noted else "")
        raise _fault(record.path, found, wanted)
    f_px = calibration.fx_px * scale
    focal = record.focal
    if focal and abs(math.log(focal.f_px / f_px)) > max(_OTHER_LENS, 4.0 * focal.relative_sigma):
        found = f"a focal length of {focal.f_px:.0f} px by its metadata ({focal.source})"
        raise _fault(record.path, found, f"a photo by the calibrated lens, {f_px:.0f} px")
    # pixel centres are at whole numbers, so the corner of the picture, not of its first pixel, is what scales
    cx = (calibration.cx_px + 0.5) * scale - 0.5
    cy = (calibration.cy_px + 0.5) * scale - 0.5
    cx, cy = turned_point(cx, cy, width, height, record.orientation)
    aspect = calibration.fy_px / calibration.fx_px
    return Camera(
        width_px=record.width_px,
        height_px=record.height_px,
        f_px=f_px * aspect if turned else f_px,
        cx_px=cx,
        cy_px=cy,
        k1=calibration.k1,
        k2=calibration.k2,
        f_relative_sigma=calibration.sigma_f_px / calibration.fx_px,
        principal_sigma_px=max(calibration.sigma_cx_px, calibration.sigma_cy_px) * scale,
        aspect=1.0 / aspect if turned else aspect,
        source=f"calibration of {calibration.date[:10]}",
    )


def turned_point(x: float, y: float, width_px: int, height_px: int, orientation: int) -> tuple[float, float]:
    """Where a pixel (x, y) of a stored picture of width_px x height_px lies in the picture as shown."""
    if orientation >= 5:
        x, y = y, x
        width_px, height_px = height_px, width_px
    if orientation in (3, 4, 7, 8):
        y = height_px - 1 - y
    if orientation in (2, 3, 6, 7):
        x = width_px - 1 - x
    return x, y
