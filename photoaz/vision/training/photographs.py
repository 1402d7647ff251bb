"""Real photos without panel antennas: `python -m photoaz.vision.training.photographs --out DIR --sources DIR`.

Reads the table `photographs.toml` and writes folders under --out: train (backgrounds and negatives, of which one place
in three is kept out of training), learn (the same, none kept out) and check (a benchmark of false boxes). The folder
--sources holds each repository of the table as OWNER/NAME, checked out at the table's commit, a Debian package
unpacked as debian/NAME. Names begin with `sky_` (mostly free sky) or `ground_`. Only
pixels are kept: no metadata, so no positions.
"""

from __future__ import annotations

import argparse
import re
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np

from photoaz.errors import Fault, InputError
from photoaz.register.toml import read_toml

TABLE = Path(__file__).with_name("photographs.toml")
#: longest side [px]: training shrinks its pictures anyhow, the benchmark looks at photos as they are sent in
LONGEST = {"train": 1024, "learn": 1024, "check": 2048}
PREFIXES = ("sky", "ground")
QUALITY = 88
LICENCES = (
    "Apache-2.0",
    "BSD-2-Clause",
    "BSD-3-Clause",
    "BSD-3-Clause-Clear",
    "CC0-1.0",
    "CC-BY-3.0",
    "CC-BY-4.0",
    "MIT",
)


@dataclass(frozen=True)
class Source:
    """Photos of one repository that go to one place.

    `take` and `leave_out` are globs from the repository's root; `commit` is a package's version for a Debian package.
    """

    repository: str
    commit: str
    licence: str
    use: str
    prefix: str
    take: tuple[str, ...]
    leave_out: tuple[str, ...] = ()


def read_table(path: Path = TABLE) -> list[Source]:
    """Sources of a table.

    Raises
    ------
    InputError : a source lacks a field, or has one that is not known.
    """
    _, content = read_toml(path, what="a TOML table of photo sources", example='repository = "owner/name"')
    return [_source(path, number, entry) for number, entry in enumerate(content.get("source", []), 1)]


def _source(path: Path, number: int, entry: dict[str, object]) -> Source:
    wanted = {"licence": LICENCES, "use": tuple(LONGEST), "prefix": PREFIXES}
    try:
        source = Source(**{k: tuple(v) if isinstance(v, list) else v for k, v in entry.items()})  # type: ignore[arg-type]
    except TypeError as e:
        fields = ", ".join(Source.__dataclass_fields__)
        raise InputError(Fault(file=path, found=f"source {number}: {e}", wanted=f"the fields {fields}")) from e
    for field, known in wanted.items():
        if getattr(source, field) not in known:
            found = f"source {number}: {field} = {getattr(source, field)!r}"
            raise InputError(Fault(file=path, found=found, wanted=f"one of {', '.join(known)}"))
    return source


def files(source: Source, sources: Path) -> list[Path]:
    """Photos that a source contributes, sorted.

    Raises
    ------
    InputError : a glob, also of those left out, finds nothing: the source is missing or not at its commit.
    """
    root = sources / source.repository

    def found(globs: tuple[str, ...]) -> set[Path]:
        out: set[Path] = set()
        for glob in globs:
            hits = set(root.glob(glob))
            if not hits:
                wanted = f"{source.repository} at {source.commit}"
                raise InputError(Fault(file=root / glob, found="no file", wanted=wanted))
            out |= hits
        return out

    return sorted(found(source.take) - found(source.leave_out))


def name(source: Source, path: Path) -> str:
    """File name that says where a photo is from, such as sky_quays_west_001.jpg; `path` from the repository's root."""
    parts = (source.repository.split("/")[-1], *path.parts[:-1], path.stem)
    return source.prefix + "_" + re.sub(r"[^a-z0-9]+", "_", "_".join(parts).lower()).strip("_") + ".jpg"


def shrink(picture: np.ndarray, longest: int) -> np.ndarray:
    """A picture [..., BGR] whose longer side is at most that many px; never enlarged."""
    height, width = picture.shape[:2]
    factor = longest / max(height, width)
    if factor >= 1:
        return picture
    size = (max(1, round(width * factor)), max(1, round(height * factor)))
    return cv2.resize(picture, size, interpolation=cv2.INTER_AREA)


def make(table: list[Source], sources: Path, out: Path) -> dict[str, int]:
    """Write all photos; returns how many came from each source for each use, by 'owner/name use'.

    Raises
    ------
    InputError : a source's files are missing, a photo cannot be read, or two photos would have one name.
    """
    counts: dict[str, int] = {}
    written: set[Path] = set()
    for source in table:
        for path in files(source, sources):
            target = out / source.use / name(source, path.relative_to(sources / source.repository))
            if target in written:
                found = f"a second photo named {target.name}"
                raise InputError(Fault(file=path, found=found, wanted="names that differ"))
            picture = cv2.imread(str(path), cv2.IMREAD_COLOR)
            if picture is None:
                raise InputError(Fault(file=path, found="no picture", wanted="a photo that OpenCV reads"))
            target.parent.mkdir(parents=True, exist_ok=True)
            cv2.imwrite(str(target), shrink(picture, LONGEST[source.use]), [cv2.IMWRITE_JPEG_QUALITY, QUALITY])
            written.add(target)
            key = f"{source.repository} {source.use}"
            counts[key] = counts.get(key, 0) + 1
    return counts


def main() -> None:
    """Parse the command line."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--sources", type=Path, required=True)
    args = parser.parse_args()
    for key, count in make(read_table(), args.sources, args.out).items():
        print(f"{count:4d} {key}")


if __name__ == "__main__":
    main()
