"""What tests of commands share: a stand-in for the solving of photos, which takes long and is tested elsewhere."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import hypothesis
import pytest

import photoaz.estimate.pipeline
from photoaz.estimate.inputs import SiteInputs, Tools
from photoaz.result import SiteResult

# a machine with other work to do is no fault
hypothesis.settings.register_profile("photoaz", deadline=None)
hypothesis.settings.load_profile("photoaz")


@dataclass(frozen=True, slots=True)
class Told:
    """A solved site of which somebody else says what it is."""

    told: SiteResult

    def result(self, *, outlook: bool = True) -> SiteResult:
        """As told."""
        del outlook
        return self.told


def stand_in(patch: pytest.MonkeyPatch, solve: Callable[[SiteInputs, Tools], SiteResult]) -> None:
    """Let `solve` say what a site's photos tell, in this process."""

    def solve_site(given: SiteInputs, tools: Tools | None = None) -> Any:
        return Told(solve(given, tools or Tools()))

    patch.setattr(photoaz.estimate.pipeline, "solve_site", solve_site)


@pytest.fixture(scope="session")
def solver_stands_in() -> Callable[[pytest.MonkeyPatch, Callable[[SiteInputs, Tools], SiteResult]], None]:
    """`stand_in`, for tests that cannot import it."""
    return stand_in
