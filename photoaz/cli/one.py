"""One antenna without a table: what is typed becomes a site of one row; what one may type."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import click

if TYPE_CHECKING:
    from photoaz.register.model import Site

#: what the antenna that is typed is called in results and picks
ANTENNA = "antenna"
_NORTHS = click.Choice(["true", "magnetic"])


class _Number(click.ParamType):  # type: ignore[type-arg]  # click says what it holds from 8.3 on
    """A number or an angle as people write it: '134.2', '134,2', '134.2°'."""

    def __init__(self, name: str, least: float, most: float, unit: str) -> None:
        self.name, self.least, self.most, self.unit = name, least, most, unit

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> float:
        from photoaz.angles import parse_angle_deg

        text = str(value).strip()
        try:
            number = parse_angle_deg(text.removesuffix("m").strip() if self.unit == "metres" else text, comma=True)
        except ValueError:
            number = float("nan")
        if not self.least <= number <= self.most:
            self.fail(f"found '{value}'; wanted {self.unit}, {self.least:g} to {self.most:g}", param, ctx)
        return number


AZIMUTH = _Number("azimuth", 0.0, 360.0, "degrees")
TOLERANCE = _Number("tolerance", 0.1, 180.0, "degrees")
HEIGHT = _Number("height", 0.5, 1000.0, "metres")


def options(command: Any) -> Any:
    """The options of the form without a table."""
    from photoaz.cli.group import place_given

    for option in reversed(
        [
            click.option(
                "--at",
                metavar="LAT,LON",
                callback=place_given,
                help="Without a register: where the tower stands. Points or decimal commas, degrees minutes seconds.",
            ),
            click.option("--height", metavar="M", type=HEIGHT, help="With --at: its centre above the ground."),
            click.option("--azimuth", metavar="DEG", type=AZIMUTH, help="With --at: the design azimuth."),
            click.option("--north", type=_NORTHS, help="With --at: the north that it counts from. [true]"),
            click.option("--reading", metavar="DEG", type=AZIMUTH, help="With --at: the instrument reading."),
            click.option("--reading-north", type=_NORTHS, help="With --at: the reading's north. [as --north]"),
            click.option("--tolerance", metavar="DEG", type=TOLERANCE, help="With --at: +- about the design. [5]"),
        ]
    ):
        command = option(command)
    return command


def typed_site(
    at: tuple[float, float] | None,
    height: float | None,
    azimuth: float | None,
    north: str | None,
    reading: float | None,
    reading_north: str | None,
    tolerance: float | None,
    **_files: object,
) -> Site | None:
    """The site of one antenna that was typed; None where nothing of it was. The command's other options are let pass.

    Raises UsageError where something is lacking.
    """
    from photoaz.quantities import DESIGN_TOLERANCE_DEG, READING_U95_DEG
    from photoaz.register.model import Antenna, Reading, Site

    needed = {"--at": at, "--height": height, "--azimuth": azimuth}
    others = (north, reading, reading_north, tolerance)
    if not any(v is not None for v in (*needed.values(), *others)):
        return None
    if at is None or height is None or azimuth is None:
        lacking = ", ".join(name for name, value in needed.items() if value is None)
        raise click.UsageError(f"Without a register --at, --height and --azimuth are needed: {lacking} is missing.")
    said: Any = north or "true"
    of_reading: Any = reading_north or said
    antenna = Antenna(
        antenna_id=ANTENNA,
        rad_center_m=height,
        design_azimuth_deg=azimuth % 360.0,
        design_north=said,
        tolerance_deg=DESIGN_TOLERANCE_DEG if tolerance is None else tolerance,
        reading=None
        if reading is None
        else Reading(azimuth_deg=reading % 360.0, north=of_reading, u95_deg=READING_U95_DEG),
    )
    return Site(site_id=f"{at[0]:.6f}, {at[1]:.6f}", lat_deg=at[0], lon_deg=at[1], antennas=(antenna,))
