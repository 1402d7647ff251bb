"""The sample site that comes with the package: photos, register, controls, picks and the truth."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

from photoaz.errors import Fault, InputError

PHOTO_SUFFIXES = (".jpg", ".jpeg", ".heic", ".tif", ".tiff", ".png")
_MARK = "register.csv"


def sample_dir() -> Path:
    """Where the sample site lies: within the package where that was built, beside it in a checkout.

    Raises
    ------
    InputError : it is in neither place.

    Examples
    --------
    >>> import photoaz
    >>> len(sorted(photoaz.sample_dir().glob("*.jpg")))
    9
    """
    package = Path(__file__).resolve().parent
    for folder in (package / "sample_images", package.parent / "sample_images"):
        if (folder / _MARK).is_file():
            return folder
    raise InputError(
        Fault(
            file=package / "sample_images",
            found="no sample site",
            wanted="a complete installation; install photoaz again",
        )
    )


def sample_photos(folder: Path) -> tuple[Path, ...]:
    """The photos of a copy of the sample site, in the order of their names."""
    return tuple(sorted(p for p in folder.iterdir() if p.suffix.lower() in PHOTO_SUFFIXES and p.is_file()))


def sample_files() -> Iterator[Path]:
    """What a user of the sample needs: photos and tables, without the scripts that made them."""
    yield from sorted(p for p in sample_dir().iterdir() if p.is_file() and not p.name.startswith("."))
