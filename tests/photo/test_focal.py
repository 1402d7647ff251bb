"""Focal length from metadata, against a phone's published pixel pitch and the conventions' own algebra."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest

from photoaz.photo.focal import compare_frame, focal_from_35mm, mm_per_unit
from photoaz.photo.reader import Reader
from photoaz.photo.record import PhotoRecord

from .conftest import codes


def within(record: PhotoRecord, f_px: float, sigmas: float = 2.0) -> bool:
    return abs(math.log(f_px / record.focal.f_px)) <= sigmas * record.focal.relative_sigma


# ------------------------------------------------------------------------------------------------- conventions


def test_conventions_on_a_4_3_picture() -> None:
    """26 mm on 4000 x 3000: 3005 px by the diagonal, 2889 px by the width (worked out by hand; 4 % apart)."""
    f_px, sigma = focal_from_35mm(26.0, 4000, 3000)
    assert f_px == pytest.approx(26 / math.hypot(36, 24) * 5000, rel=1e-12)
    assert round(f_px) == 3005
    assert abs(2889 - f_px) / f_px < 2.1 * sigma
    assert sigma < 0.04


def test_conventions_agree_on_3_2() -> None:
    f_px, sigma = focal_from_35mm(50.0, 6000, 4000)
    assert f_px == pytest.approx(50 / 36 * 6000, rel=1e-12)
    assert sigma < 0.015


@pytest.mark.parametrize(("long_px", "short_px"), [(4000, 2250), (3000, 3000), (4000, 1846), (4000, 2000)])
def test_other_shapes_span_what_is_possible(long_px: int, short_px: int) -> None:
    """A 16:9 or square picture is cut from a 4:3 or 3:2 frame, and f35 may mean the frame or the picture."""
    f_px, sigma = focal_from_35mm(26.0, long_px, short_px)
    own_diagonal = 26 / math.hypot(36, 24) * math.hypot(long_px, short_px)
    frame = (long_px, 0.75 * long_px) if long_px / short_px > 4 / 3 else (4 / 3 * short_px, short_px)
    frame_diagonal = 26 / math.hypot(36, 24) * math.hypot(*frame)
    for possible in (own_diagonal, frame_diagonal):
        assert abs(possible / f_px - 1.0) <= 2.0 * sigma
    assert min(own_diagonal, frame_diagonal) < f_px < max(own_diagonal, frame_diagonal, 26 / 24 * short_px)


def test_phone_with_published_pixel_pitch(record_of: Any, kit: Any) -> None:
    """A 12-megapixel phone camera of 2016: 3.99 mm, 1.22 um pixels, 4032 x 3024, f35 28 (makers' data, from memory)."""
    record = record_of(
        exif={0x920A: kit.ratio((399, 100)), 0xA405: kit.short(28), 0xA002: kit.long(4032), 0xA003: kit.long(3024)},
        size=(4032, 3024),
    )
    assert within(record, 3.99e-3 / 1.22e-6, sigmas=1.0)
    assert record.focal.relative_sigma < 0.03


def test_rounding_of_f35_is_in_the_sigma(record_of: Any, kit: Any) -> None:
    wide, long = (record_of(exif={0xA405: kit.short(f)}).focal.relative_sigma for f in (12, 600))
    assert wide**2 - long**2 == pytest.approx((0.5 / 12 / math.sqrt(3)) ** 2, rel=0.01)


# ------------------------------------------------------------------------------------------------- other routes


@pytest.mark.parametrize(("unit", "per_mm"), [(2, 1 / 25.4), (3, 1 / 10), (4, 1.0), (5, 1000.0)])
def test_focal_plane_resolution(record_of: Any, kit: Any, unit: int, per_mm: float) -> None:
    """24.3 mm of sensor under 4000 px, written in each unit (inch, cm, mm, um)."""
    pixels_per_unit = 4000 / 24.3 / per_mm
    resolution = kit.ratio((round(pixels_per_unit * 10_000), 10_000))
    record = record_of(
        exif={
            0xA405: None,
            0x920A: kit.ratio((55, 1)),
            0xA20E: resolution,
            0xA20F: resolution,
            0xA210: kit.short(unit),
            0xA003: kit.long(2667),
        },
        size=(4000, 2667),
    )
    rounding = 0.01 if unit == 5 else 1e-4  # per um there are few digits left
    assert record.focal.f_px == pytest.approx(55 / 24.3 * 4000, rel=rounding)
    assert record.focal.relative_sigma < 0.02


def test_units() -> None:
    assert [mm_per_unit(u) for u in (2, 3, 4, 5)] == [25.4, 10.0, 1.0, 0.001]
    assert mm_per_unit(1) is None
    assert mm_per_unit(None) is None


def test_implausible_sensor_is_not_used(record_of: Any, kit: Any) -> None:
    # resolution of the screen (72 per inch) written as the sensor's: a sensor of 1.4 m
    record = record_of(exif={0xA20E: kit.ratio((72, 1)), 0xA20F: kit.ratio((72, 1)), 0xA210: kit.short(2)})
    assert "focal-plane-implausible" in codes(record)
    assert record.focal.source.startswith("35 mm equivalent")


def test_routes_that_disagree_leave_room_for_both(record_of: Any, kit: Any) -> None:
    resolution = kit.ratio((8000, 10))  # 5 mm of sensor: f35 would be 59 mm, the tag says 26
    record = record_of(exif={0xA20E: resolution, 0xA20F: resolution, 0xA210: kit.short(4)}, size=(4000, 3000))
    assert "focal-routes-disagree" in codes(record)
    assert within(record, 6.86 * 800)
    assert within(record, 26 / 43.2666 * 5000)


@pytest.mark.parametrize("f35", [0, None])
def test_only_millimetres_is_a_wide_guess(record_of: Any, kit: Any, f35: int | None) -> None:
    record = record_of(exif={0xA405: None if f35 is None else kit.short(f35)})
    assert "focal-guessed" in codes(record)
    assert record.focal.relative_sigma >= 0.15
    # crop factors of phones' main and tele cameras, 1/1.3-inch to 1/3.6-inch sensors (format sizes: common practice)
    for crop in (3.6, 8.5):
        assert within(record, 6.86 * crop / 43.2666 * 500)
    long_lens = record_of(
        exif={0xA405: None, 0x920A: kit.ratio((300, 1)), 0xA003: kit.long(2667)}, size=(4000, 2667), gps={0x11: None}
    )
    for crop in (1.0, 1.5, 1.6):  # full frame and APS-C
        assert within(long_lens, 300 * crop / 36 * 4000)


@pytest.mark.parametrize("spec", [("ratio", (0, 0)), ("ratio", (686, 0)), ("ascii", "wide"), ("ratio", (0, 1))])
def test_nothing_usable_is_none_and_said(record_of: Any, kit: Any, spec: Any) -> None:
    record = record_of(exif={0xA405: None, 0x920A: getattr(kit, spec[0])(*spec[1:])})
    assert record.focal is None
    assert "focal-missing" in codes(record)
    assert codes(record) & {"focal-not-a-number", "focal-out-of-range"}


# ------------------------------------------------------------------------------------------------ digital zoom


def zoomed(
    record_of: Any,
    kit: Any,
    f35: int,
    focal: tuple[int, int],
    zoom: tuple[int, int],
    plane: dict[int, Any] | None = None,
) -> PhotoRecord:
    exif = {0xA405: kit.short(f35), 0x920A: kit.ratio(focal), 0xA404: kit.ratio(zoom), **(plane or {})}
    return record_of(exif=exif, size=(4000, 3000))


def test_zoom_that_cannot_be_resolved_covers_both(record_of: Any, kit: Any) -> None:
    record = zoomed(record_of, kit, 24, (400, 100), (2, 1))
    once, twice = 24 / 43.2666 * 5000, 48 / 43.2666 * 5000
    assert "digital-zoom-ambiguous" in codes(record)
    assert within(record, once, 1.0)
    assert within(record, twice, 1.0)
    listed = [f_px for f_px, _ in record.focal.alternatives]
    assert any(abs(f / once - 1) < 1e-4 for f in listed)
    assert any(abs(f / twice - 1) < 1e-4 for f in listed)


def test_zoom_contained_because_no_sensor_is_so_small(record_of: Any, kit: Any) -> None:
    """4.03 mm, f35 48, zoom 1.5432, as a real phone file has: 48 / 4.03 would be a sensor of 3.6 mm diagonal."""
    record = zoomed(record_of, kit, 48, (403, 100), (15432, 10000))
    assert "digital-zoom" in codes(record)
    assert record.focal.f_px == pytest.approx(48 / 43.2666 * 5000, rel=1e-4)


def test_zoom_resolved_by_the_sensor(record_of: Any, kit: Any) -> None:
    """A sensor of 6.4 mm under 4000 px: 5.2 mm is 28 mm equivalent, so f35 28 lacks the zoom and 56 has it."""
    plane = {0xA20E: kit.ratio((6250, 10)), 0xA20F: kit.ratio((6250, 10)), 0xA210: kit.short(4)}
    for f35 in (28, 56):
        record = zoomed(record_of, kit, f35, (520, 100), (2, 1), plane)
        assert "digital-zoom" in codes(record)
        assert within(record, 2 * 5.2 * 625)
        assert record.focal.relative_sigma < 0.04


@pytest.mark.parametrize("zoom", [(0, 1), (0, 0), (1, 1)])
def test_zoom_not_used(record_of: Any, kit: Any, zoom: tuple[int, int]) -> None:
    record = zoomed(record_of, kit, 24, (600, 100), zoom)
    assert record.focal.f_px == pytest.approx(24 / 43.2666 * 5000, rel=1e-4)
    assert not codes(record) & {"digital-zoom-ambiguous", "digital-zoom-out-of-range"}


# ------------------------------------------------------------------------------------------- resizes and crops


def test_resize_scales_f(record_of: Any, kit: Any) -> None:
    whole = record_of(size=(4000, 3000))
    small = record_of(size=(1000, 750))
    assert small.focal.f_px * 4 == pytest.approx(whole.focal.f_px)
    assert "resized" in codes(small)
    assert not small.cropped


def test_resize_of_a_picture_shown_upright(record_of: Any, kit: Any) -> None:
    """Some programs turn the pixels but leave the noted size as it was, others turn both."""
    for noted in ((4000, 3000), (3000, 4000)):
        for orientation, size in ((6, (1000, 750)), (1, (750, 1000))):
            record = record_of(
                exif={0xA002: kit.long(noted[0]), 0xA003: kit.long(noted[1])},
                image={0x112: kit.short(orientation)},
                size=size,
            )
            assert (record.width_px, record.height_px) == (750, 1000)
            assert record.focal.f_px == pytest.approx(26 / 43.2666 * 1250, rel=1e-4)
            assert not record.cropped


def test_crop_keeps_f_and_loses_the_principal_point(record_of: Any, kit: Any) -> None:
    from photoaz.photo.camera import camera_from_record

    record = record_of(size=(1800, 3000))
    assert record.cropped
    assert "cropped" in codes(record)
    assert record.focal.f_px == pytest.approx(26 / 43.2666 * 5000, rel=1e-4)
    whole = camera_from_record(record_of(size=(4000, 3000)))
    cut = camera_from_record(record)
    assert whole is not None
    assert cut is not None
    # 1800 of 4000 columns, anywhere: an even spread over 2200
    assert cut.principal_sigma_px == pytest.approx(2200 / math.sqrt(12), rel=0.01)
    assert whole.principal_sigma_px == pytest.approx(20.0)


def test_cropped_and_then_made_smaller_is_covered_like_cropped_alone() -> None:
    """Cut anywhere, and half of them then made smaller to a size that messengers send (common practice)."""
    rng = np.random.default_rng(4)
    original = (4032, 3024)
    covered: dict[bool, list[bool]] = {False: [], True: []}
    for _ in range(600):
        cut = np.array(original) * rng.uniform(0.35, 1.0, 2)
        smaller = len(covered[True]) < len(covered[False])
        true = min(float(rng.choice([1024, 1280, 1600])) / cut.max(), 1.0) if smaller else 1.0
        width, height = (int(v) for v in np.round(cut * true))
        frame = compare_frame(Reader({}), width, height, original)
        if frame.change == "cropped":
            covered[smaller].append(abs(math.log(true / frame.scale)) <= 1.96 * frame.extra_sigma + 1e-9)
    assert np.mean(covered[True]) > 0.95
    assert np.mean(covered[False]) > 0.95


def test_zoom_not_contained_because_no_phone_has_so_large_a_sensor(record_of: Any, kit: Any) -> None:
    """6 mm, f35 24, zoom 2: were the zoom in it, the sensor would have a diagonal of 21.6 mm."""
    record = zoomed(record_of, kit, 24, (600, 100), (2, 1))
    assert "digital-zoom" in codes(record)
    assert record.focal.f_px == pytest.approx(48 / 43.2666 * 5000, rel=1e-4)


def test_small_rounded_pictures_are_resizes() -> None:
    # 5472 x 3648 shrunk to 100 pixels: 66.67 rows become 67, half a per cent off in proportion
    for now, noted, change in (
        ((100, 67), (5472, 3648), "resized"),
        ((100, 78), (4000, 3000), "cropped"),
        ((4000, 3000), (4000, 3000), "none"),
        ((5000, 3000), (4000, 3000), "unclear"),
        ((4000, 3000), None, "unknown"),
    ):
        assert compare_frame(Reader({}), *now, noted).change == change


def test_enlarged_in_other_proportions_is_said_and_widened(record_of: Any, kit: Any) -> None:
    record = record_of(exif={0xA002: kit.long(320), 0xA003: kit.long(320)}, size=(400, 300))
    assert "size-unclear" in codes(record)
    assert record.focal.relative_sigma > 0.15


def test_proportions_of_no_camera_are_a_crop_that_was_hidden(record_of: Any, kit: Any) -> None:
    """Editors set the noted size to the new one; the proportions still tell."""
    record = record_of(exif={0xA002: kit.long(400), 0xA003: kit.long(367)}, size=(400, 367))
    assert "aspect-unusual" in codes(record)
    assert record.cropped
    assert record.focal.relative_sigma > 0.2


# ------------------------------------------------------------------------------------------- what no camera writes


@pytest.mark.parametrize("noted", [(2598471384, 3000), (4000, 2598471384), (65535, 65535), (40000, 30)])
def test_a_noted_size_of_no_camera_is_none(record_of: Any, kit: Any, noted: tuple[int, int]) -> None:
    """Seen in a phone's photo: a width of 2598471384, from which the focal length came out as 2.5e9 pixels."""
    record = record_of(exif={0xA002: kit.long(noted[0]), 0xA003: kit.long(noted[1])}, size=(4000, 3000))
    assert record.focal.f_px == pytest.approx(26 / 43.2666 * 5000, rel=1e-4)
    assert "original-size-implausible" in codes(record)
    assert not record.cropped
    assert record.provenance.noted_px is None


def test_a_panorama_may_be_as_long_as_it_is(record_of: Any, kit: Any) -> None:
    record = record_of(exif={0xA002: kit.long(4000), 0xA003: kit.long(400)}, size=(4000, 400))
    assert "original-size-implausible" not in codes(record)


@pytest.mark.parametrize("size", [(160, 120), (320, 240), (512, 384)])
@pytest.mark.parametrize("noted", [(4000, 2250), (6000, 4000)])
def test_a_thumbnail_is_made_smaller_whatever_else(
    record_of: Any, kit: Any, size: tuple[int, int], noted: tuple[int, int]
) -> None:
    """Whether bars were added or the sides cut off, its focal length is the original's, made smaller with it."""
    record = record_of(exif={0xA002: kit.long(noted[0]), 0xA003: kit.long(noted[1])}, size=size)
    original = record_of(exif={0xA002: kit.long(noted[0]), 0xA003: kit.long(noted[1])}, size=noted)
    bars, cut = sorted((size[0] / noted[0], size[1] / noted[1]))
    assert within(record, original.focal.f_px * cut)
    assert within(record, original.focal.f_px * bars, sigmas=2.5)  # the rarer way, beyond what is reckoned with
    assert within(record, original.focal.f_px)  # it may be a small part of the picture as well


@pytest.mark.parametrize(
    "exif",
    [
        {"f35": 5},  # no lens that draws straight lines straight
        {"f35": 0, "focal": (2800, 1)},  # in millimetres, on any sensor that is known
        {"f35": 2000, "zoom": (3, 1)},
        {"f35": 0, "focal": (6, 10)},
    ],
)
def test_a_focal_length_of_no_lens_is_none_and_said(record_of: Any, kit: Any, exif: dict[str, Any]) -> None:
    spec = {0xA405: kit.short(exif["f35"]), 0x920A: kit.ratio(exif["focal"]) if "focal" in exif else None}
    spec |= {0xA404: kit.ratio(exif["zoom"]) if "zoom" in exif else None}
    record = record_of(exif=spec)
    assert record.focal is None
    assert codes(record) & {"focal-35mm-out-of-range", "focal-implausible"}
