"""Files of costs: what they say, and their faults."""

from __future__ import annotations

import math

import pytest

from photoaz.errors import InputError
from photoaz.judgement.costs import Costs, load_costs


def test_costs_from_a_file(tmp_path):
    path = tmp_path / "costs.toml"
    path.write_text('# ours\nvisit = 310\nyears = 2.5\nunit = "EUR"\n', encoding="utf-8")
    costs = load_costs(path)
    assert (costs.visit, costs.years, costs.unit) == (310, 2.5, "EUR")
    assert costs.climb == Costs().climb


@pytest.mark.parametrize(
    ("text", "line", "said"),
    [
        ("visit = 310\nclimb = -1\n", 2, "climb = -1; wanted a number, 0 or more"),
        ("\n\nvisitt = 3\n", 3, "the key 'visitt'; wanted visit (is that meant?), or one of: visit, photo"),
        ("visit = 'three'\n", 1, "visit = 'three'; wanted a number"),
        ("visit = true\n", 1, "visit = True; wanted a number"),
        ("visit = inf\n", 1, "visit = inf; wanted a number"),
        ("unseen_out = 0.1\n", 1, "the key 'unseen_out'"),  # what is known of antennas is no cost
        ("years = 0\n", 1, "wanted years above 0"),
        ('unit = ""\n', 1, "wanted 1 to 20 letters"),
        ("[costs]\nvisit = 3\n", 1, "the key 'costs'"),
        ("visit = 1\nclimb = = 2\n", 2, "no TOML"),
    ],
)
def test_faults_of_a_costs_file(tmp_path, text, line, said):
    path = tmp_path / "costs.toml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(InputError) as caught:
        load_costs(path)
    (fault,) = caught.value.faults
    assert fault.file == path
    assert fault.line == line
    assert said in str(fault)


def test_all_faults_of_a_costs_file_at_once(tmp_path):
    path = tmp_path / "costs.toml"
    path.write_text("visit = -1\nturns = 2\ndesk = 'x'\n", encoding="utf-8")
    with pytest.raises(InputError) as caught:
        load_costs(path)
    assert [f.line for f in caught.value.faults] == [1, 2, 3]


def test_costs_that_are_none():
    with pytest.raises(ValueError, match="visit"):
        Costs(visit=-1.0)
    with pytest.raises(ValueError, match="years"):
        Costs(years=math.nan)
