"""The places of the unknowns."""

from __future__ import annotations

import numpy as np
import pytest

from photoaz.network.parameters import ANTENNA, LANDMARK, PHOTO, SITE, Layout

LAYOUT = Layout(("p", "q"), ("a", "b", "c"), ("mill", "dome"))


def test_every_unknown_has_one_place():
    places = [LAYOUT.photo(p) for p in LAYOUT.photos]
    places += [LAYOUT.antenna(a) for a in LAYOUT.antennas]
    places += [LAYOUT.site(), *(LAYOUT.landmark(m) for m in LAYOUT.landmarks)]
    assert sorted(np.concatenate(places)) == list(range(LAYOUT.size))


@pytest.mark.parametrize(
    ("whole", "names", "of"),
    [
        (LAYOUT.photo("q"), PHOTO, lambda f: LAYOUT.photo("q", f)),
        (LAYOUT.antenna("c"), ANTENNA, lambda f: LAYOUT.antenna("c", f)),
        (LAYOUT.site(), SITE, lambda f: LAYOUT.site(f)),
        (LAYOUT.landmark("dome"), LANDMARK, lambda f: LAYOUT.landmark("dome", f)),
    ],
    ids=["photo", "antenna", "site", "landmark"],
)
def test_fields_stand_in_the_order_of_their_names(whole, names, of):
    assert [int(of(f)[0]) for f in names] == whole.tolist()


def test_fields_come_in_the_order_asked_for():
    assert LAYOUT.photo("p", "roll", "heading").tolist() == [PHOTO.index("roll"), PHOTO.index("heading")]


@pytest.mark.parametrize("ask", [LAYOUT.photo, LAYOUT.antenna, LAYOUT.landmark])
def test_a_name_that_is_not_there_has_no_place(ask):
    with pytest.raises(ValueError, match="tuple"):
        ask("nobody")
