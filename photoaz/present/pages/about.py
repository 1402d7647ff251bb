"""What a report says of its own making, so that another engineer can repeat it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime

from photoaz import __version__


@dataclass(frozen=True, slots=True, kw_only=True)
class ReportAbout:
    """How results came about.

    created : when, with its zone. command : what to type to make them again. version : of photoaz. libraries : name and
    version of each. parameters : name and value of each. inputs : files, each with role (register, controls, ...), name
    and sha256. counts : of photos, in the order to show them: 'listed', 'used', 'rejected', 'failed', 'duplicates' and
    others. failures : file and reason of each.
    """

    created: datetime
    command: str
    version: str = __version__
    libraries: Mapping[str, str] = field(default_factory=dict)
    parameters: Mapping[str, object] = field(default_factory=dict)
    inputs: Sequence[Mapping[str, str | None]] = ()
    counts: Mapping[str, int] = field(default_factory=dict)
    failures: Sequence[tuple[str, str]] = ()
