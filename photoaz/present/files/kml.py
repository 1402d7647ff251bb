"""sites.kml (OGC KML 2.2, 07-147r2), a site at a time."""

from __future__ import annotations

from collections.abc import Sequence
from typing import IO

from photoaz.present.files.shapes import Shape
from photoaz.present.frame import rendered


class Kml:
    """Writes sites.kml to an open file: a folder for each site, its standpoints with their dates, its antennas."""

    def __init__(self, file: IO[str], title: str = "Antenna azimuths") -> None:
        self._file = file
        file.write(rendered("head.kml", title=title))

    def add(self, shapes: Sequence[Shape]) -> None:
        """A site's shapes, its tower first."""
        self._file.write(rendered("folder.kml", shapes=shapes))

    def close(self) -> None:
        self._file.write("</Document>\n</kml>\n")
