"""The command `photoaz` itself, its exit codes, and the options that several commands have."""

from __future__ import annotations

import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import click

from photoaz import __version__
from photoaz.addresses import without_secrets
from photoaz.cli.streams import emit, reconfigured, say
from photoaz.errors import InputError
from photoaz.quantities import DECISION_RISK

SOME_UNUSABLE = 1
NOTHING_DONE = 2
INTERRUPTED = 130  # as shells have it


class _File(click.Path):
    """A file that is there; a device gives bytes without end, or none ever."""

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        path: Any = super().convert(value, param, ctx)
        if path.is_char_device() or path.is_block_device():
            self.fail(f"'{path}' is a device, not a file.", param, ctx)
        return path


class _Photo(_File):
    """A photo; a folder of them is another command's."""

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        if Path(value).is_dir():
            command = f"photoaz audit {value} --register R --out DIR"
            self.fail(f"'{value}' is a folder: '{command}' takes all photos in it.", param, ctx)
        return super().convert(value, param, ctx)


FILE = _File(exists=True, dir_okay=False, path_type=Path)
PHOTO = _Photo(exists=True, dir_okay=False, path_type=Path)
FOLDER = click.Path(file_okay=False, path_type=Path)
OLD_FOLDER = click.Path(exists=True, file_okay=False, path_type=Path)


def file_option(*names_metavar_help: str, **more: Any) -> Callable[[Any], Any]:
    """An option that takes a file."""
    *names, metavar, said = names_metavar_help
    return click.option(*names, metavar=metavar, help=said, **{"type": FILE, **more})


RISK = click.option(
    "--risk",
    metavar="P",
    type=click.FloatRange(0.0, 0.5, min_open=True, max_open=True),
    default=DECISION_RISK,
    show_default=True,
    help="Risk of deciding wrongly that an antenna is within, or out of, its tolerance.",
)
REGISTER = file_option("--register", "R", "The register, CSV or XLSX.", required=True)
SITE = click.option(
    "--site", "site_id", metavar="S", help="Which site; may be left out where the register holds one only."
)
ANTENNAS = click.option(
    "--antenna", "antenna_ids", metavar="A", multiple=True, help="Only this antenna; may be repeated."
)
AS_JSON = click.option("--json", "as_json", is_flag=True, help="One JSON document on standard output.")
COLUMNS = file_option("--columns", "FILE", "What the register's own headings mean, TOML.")
CONTROLS = file_option("--controls", "C", "Landmarks, bearings and other controls, CSV or XLSX.")
PICKS = file_option(
    "--picks",
    "P",
    "A person's word on where antennas are, CSV or XLSX; helps out where they are not found or not told apart.",
)
CAMERA = file_option("--camera", "CAM", "A calibration written by 'photoaz calibrate'.")
COSTS = file_option(
    "--costs", "FILE", "What a visit, a climb and a wrong azimuth cost, TOML: lines such as 'visit = 300'."
)
PRIORS = file_option(
    "--priors",
    "FILE",
    "How often antennas are turned, compasses disturbed and readings wrong, TOML; see 'photoaz manual priors'.",
)
SURROUNDINGS = file_option(
    "--surroundings",
    "MAP",
    "What stands round: GeoJSON of buildings with their heights; see 'photoaz manual surroundings'.",
)
TERRAIN = file_option("--terrain", "GRID", "With --surroundings: heights of the ground, ESRI ASCII grid or XYZ.")


def place_given(_ctx: click.Context, _param: click.Parameter, text: str | None) -> tuple[float, float] | None:
    """Callback of an option that takes a place: latitude and longitude [deg] in the spellings that people use."""
    from photoaz.angles import parse_place_deg

    try:
        return None if text is None else parse_place_deg(text)
    except ValueError as e:
        raise click.BadParameter(str(e)) from None


class _Commands(click.Group):
    """Turns what a user can mend into lines on standard error and exit code 2."""

    def invoke(self, ctx: click.Context) -> Any:
        try:
            return super().invoke(ctx)
        except InputError as err:
            for fault in err.faults:
                say(str(fault))
            ctx.exit(NOTHING_DONE)
        except click.UsageError as err:
            raise click.UsageError(without_secrets(err.format_message()), err.ctx) from None
        except OSError as err:
            say(f"{err.filename}: {err.strerror}" if err.filename else str(err))
            ctx.exit(NOTHING_DONE)
        except MemoryError:
            say("there was not enough memory: fewer --jobs or more memory; nothing that was finished is lost")
            ctx.exit(NOTHING_DONE)
        except KeyboardInterrupt:
            ctx.exit(INTERRUPTED)


def _show_versions(ctx: click.Context, _param: click.Parameter, wanted: bool) -> None:
    if not wanted or ctx.resilient_parsing:
        return
    import platform

    from photoaz.audit.inputs import libraries

    python, *others = (f"{name} {version}" for name, version in libraries().items())
    emit("\n".join([f"photoaz {__version__}", python, platform.platform(), *others]) + "\n")
    ctx.exit()


@click.group(cls=_Commands, context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100})
@click.version_option(__version__, message="photoaz %(version)s")
@click.option(
    "--show-versions",
    is_flag=True,
    is_eager=True,
    expose_value=False,
    callback=_show_versions,
    help="Show the versions of photoaz, Python and the libraries, and exit.",
)
def main() -> None:
    """A second opinion on antenna azimuths from geotagged ground photos.

    \b
    Example:
      photoaz demo
    """
    for stream in (sys.stdout, sys.stderr):
        reconfigured(stream, errors="replace")  # a degree sign must not end a run in a terminal that lacks it
