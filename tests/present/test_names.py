"""What is said of names: every panel has its line, picks are told from the pattern, nothing is called certain."""

from __future__ import annotations

from dataclasses import replace

import pytest

from photoaz.present.names import (
    BY_PICK,
    NameRow,
    draw_block,
    names_and_why,
    not_seen,
    panel_names,
    unsure,
)


def rows_of(found):
    photo = found.photos[0]
    measured = [(a.antenna_id, v) for a in found.antennas for v in a.evidence if v.photo == photo.photo]
    return names_and_why(measured, photo.panels)


def test_a_line_for_every_panel(found):
    rows = rows_of(found)
    assert [(row.name, row.tag) for row in rows] == [
        ("HNT-204-A1", "99.8 %"),
        ("HNT-204-A2", "62 %"),
        ("HNT-204-C1", ""),
        ("?", ""),
    ]
    assert rows[0].text == "right of two in sector A from the front"
    assert rows[2].text == BY_PICK
    assert rows[3].text == "a panel with a probability of 87 %, from behind; fits no antenna of the register"


def test_a_panel_named_and_not_measured(found):
    panels = found.photos[0].panels
    (row,) = names_and_why([], panels[:1])
    assert (row.name, row.tag) == ("HNT-204-A1", "93.4 %")
    assert row.text == "found, not measured; right of two in sector A from the front"
    # in a photo that was not used nothing was measured, which its title says
    (row,) = names_and_why([], panels[:1], used=False)
    assert row.text == "right of two in sector A from the front"


def test_several_without_a_name_are_numbered(found):
    named, _, unnamed = found.photos[0].panels
    assert panel_names([unnamed, named, unnamed]) == ["?1", "HNT-204-A1", "?2"]
    assert panel_names([named, unnamed]) == ["HNT-204-A1", "?"]
    assert panel_names([]) == []


def test_not_seen(found):
    unseen = [(f"X{k}", view) for k, view in enumerate((found.antennas[2].missing[1], found.antennas[2].missing[0]))]
    rows = not_seen(unseen, seen=())
    assert [(row.name, row.tag) for row in rows] == [("X1", "not found"), ("X0", "not visible")]
    assert rows[1].text == "out of the frame"
    assert not_seen(unseen, seen={"X0", "X1"}) == []


def test_a_pick_is_sure(found):
    view = found.antennas[1].evidence[0]
    assert unsure(view)
    assert not unsure(replace(view, from_pick=True))
    assert not unsure(replace(view, name_probability=None))


@pytest.mark.parametrize("width", [300, 620, 1200])
def test_a_block_keeps_to_its_width(width):
    long = "left of two in sector A from the front; HNT-204-A2 (62 %), or HNT-204-A1 (36 %); cannot be told apart here"
    rows = [NameRow(name="HNT-204-A1", tag="62 %", text=long), NameRow(name="?", tag="", text="")]
    one = draw_block("Names and why", "with the name's probability", rows, width, 30)
    assert one.width == width
    assert one.getpixel((width - 1, one.height - 1)) == (255, 255, 255)
    twice = draw_block("Names and why", "with the name's probability", [*rows, *rows], width, 30)
    assert twice.height > one.height
