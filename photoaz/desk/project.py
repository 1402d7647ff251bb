"""What is dropped at the desk, as a folder that the commands take: photos, register, picks, controls, manifest.

Whoever sits before the page types texts; they become the cells of those tables, which are read as any table is, so that
a slip is told in the same words and the answer is the one that `photoaz estimate` gives for the same folder.
"""

from __future__ import annotations

import contextlib
import json
import os
import re
import secrets
import shutil
import threading
from collections.abc import Callable, Iterator, Mapping
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path, PurePath
from typing import Any

from photoaz.audit.edits import Decision, Edits, with_decisions
from photoaz.audit.inputs import file_digest
from photoaz.desk.form import DroppedPhoto, Form, Told, form_of, tables_of
from photoaz.desk.session import figures_of
from photoaz.desk.solver import Solver
from photoaz.desk.tiles import NothingThereError, Size, Tiles
from photoaz.errors import Fault, InputError
from photoaz.estimate.inputs import LocalPhoto, SiteInputs, Tools, site_inputs
from photoaz.estimate.pipeline import estimate_site
from photoaz.estimate.visible import VisiblePanel, visible_panels
from photoaz.memory import Notebook
from photoaz.photo.metadata import read_record
from photoaz.photo.pixels import Darkroom, Picture
from photoaz.register.columns import ColumnMap, load_columns
from photoaz.register.load import RegisterResult, load_controls, load_picks, load_register
from photoaz.register.model import Site
from photoaz.result import SiteResult
from photoaz.surroundings.reading import Scenery

#: bytes of a photo, and of a register; photos of a project, and bytes of all of them (phones make 3 to 30 MB a photo)
MOST_PHOTO, MOST_REGISTER = 150_000_000, 30_000_000
MOST_PHOTOS, MOST_ALL = 200, 4_000_000_000
#: left free on the disk
SPARE = 500_000_000
#: says that a folder is a project, and holds what was typed
NOTE = "project.json"
PHOTOS, COLUMNS = "photos", "columns.toml"
_SUFFIX = {"JPEG": ".jpg", "HEIF": ".heic", "TIFF": ".tif", "PNG": ".png", "WEBP": ".webp", "MPO": ".jpg"}


class Project:
    """A folder with what was dropped and typed. Its methods may be called from several threads.

    folder : made where there is none; what is in it from before is taken up again. scenery : what stands round.
    """

    def __init__(self, folder: Path, scenery: Scenery | None = None) -> None:
        self.folder = folder
        self._scenery = scenery
        self.tiles = Tiles()
        self.solver = Solver(work=self._solve)
        self._photos: dict[str, DroppedPhoto] = {}
        self._panels: dict[str, tuple[VisiblePanel, ...]] = {}
        self._form = Form()
        self._decisions: dict[str, Decision] = {}
        self._given: SiteInputs | None = None
        self._answer: tuple[Site, SiteResult] | None = None
        self._memory, self._room = Notebook(20_000), Darkroom(most_bytes=400_000_000)
        self._lock, self._looking = threading.RLock(), threading.Lock()
        (folder / PHOTOS).mkdir(parents=True, exist_ok=True)
        self.register: RegisterResult | None = None
        self._open_again()

    def close(self) -> None:
        """Stop solving."""
        self.solver.close()

    # ---- photos and register ----------------------------------------------------------------------------------------

    @property
    def photos(self) -> tuple[DroppedPhoto, ...]:
        """In the order in which they came."""
        with self._lock:
            return tuple(self._photos.values())

    def photo(self, digest: str) -> DroppedPhoto:
        """A photo by its content. Raises NothingThereError."""
        with self._lock:
            if digest not in self._photos:
                raise NothingThereError("no such photo in this project")
            return self._photos[digest]

    def room_for(self, n_bytes: int) -> None:
        """Raise InputError where so many bytes more are too many."""
        held = sum(p.path.stat().st_size for p in self.photos if p.path.is_file())
        found = None
        if len(self.photos) >= MOST_PHOTOS:
            found, wanted = f"{len(self.photos)} photos here already", "fewer: 'photoaz audit' is for archives"
        elif held + n_bytes > MOST_ALL:
            found, wanted = f"{held / 1e9:.1f} GB of photos here already", "fewer: 'photoaz audit' is for archives"
        elif shutil.disk_usage(self.folder).free < n_bytes + SPARE:
            found, wanted = "a disk that is almost full", "room on it"
        if found is not None:
            raise InputError(Fault(file="photos", found=found, wanted=wanted))

    @contextlib.contextmanager
    def arriving(self) -> Iterator[Path]:
        """A file to write what comes; gone afterwards unless it was taken."""
        path = self.folder / f".arriving-{secrets.token_hex(8)}"
        try:
            yield path
        finally:
            path.unlink(missing_ok=True)

    def take_photo(self, path: Path, told: str) -> DroppedPhoto:
        """Take an arrived file as a photo; the same content twice is one photo. Raises InputError where it is none."""
        digest, told = file_digest(path), _shown(told)
        with self._lock:
            if digest in self._photos:
                return self._photos[digest]
        try:
            record = read_record(path)
        except InputError as e:
            raise InputError([replace(f, file=told) for f in e.faults]) from None
        final = self.folder / PHOTOS / safe_name(told, digest, record.format)
        os.replace(path, final)
        with self._lock:
            photo = DroppedPhoto(path=final, told=told, digest=digest, record=replace(record, path=final))
            self._photos.setdefault(digest, photo)
            self._note()
            return self._photos[digest]

    def remove_photo(self, digest: str) -> None:
        """Take a photo away again, its file too. Raises NothingThereError."""
        photo = self.photo(digest)
        with self._lock:
            del self._photos[digest]
            self._form = self._form.without(digest)
            self._note()
        photo.path.unlink(missing_ok=True)

    def take_register(self, path: Path, told: str) -> None:
        """Take an arrived file as the register. Raises InputError where it is none, or no row of it is good."""
        with path.open("rb") as file:
            suffix = ".xlsx" if file.read(2) == b"PK" else ".csv"
        kept = path.with_suffix(suffix)
        os.replace(path, kept)
        try:
            known = load_register(kept, self._columns())
            if not known.sites:
                raise InputError(known.faults or Fault(file=kept, found="a header only", wanted="a row per antenna"))
        except InputError as e:
            kept.unlink(missing_ok=True)
            raise InputError([replace(f, file=_shown(told)) for f in e.faults]) from None
        with self._lock:
            for old in (".csv", ".xlsx"):
                (self.folder / f"register{old}").unlink(missing_ok=True)
            final = self.folder / f"register{suffix}"
            os.replace(kept, final)
            self.register = replace(known, path=final)
            self._note()

    def copy_register(self, path: Path, columns: Path | None = None) -> None:
        """Take a copy of a register. columns: says what its headings mean. Raises InputError."""
        (self.folder / COLUMNS).unlink(missing_ok=True)
        if columns is not None:
            load_columns(columns)
            shutil.copyfile(columns, self.folder / COLUMNS)
        with self.arriving() as arrived:
            shutil.copyfile(path, arrived)
            self.take_register(arrived, path.name)

    def _columns(self) -> ColumnMap | None:
        return load_columns(self.folder / COLUMNS) if (self.folder / COLUMNS).is_file() else None

    def drop_register(self) -> None:
        """Do without the register: what is typed counts again."""
        with self._lock:
            if self.register is not None:
                self.register.path.unlink(missing_ok=True)
            self.register = None
            self._note()

    # ---- looking ----------------------------------------------------------------------------------------------------

    def tile(self, digest: str, level: int, x: int, y: int) -> bytes:
        """A tile of a photo by its content. Raises NothingThereError, InputError."""
        photo = self.photo(digest)
        size = Size(photo.record.width_px, photo.record.height_px)
        return self.tiles.tile(digest, size, level, x, y, lambda: photo.path)

    def panels(self, digest: str) -> tuple[VisiblePanel, ...]:
        """The panels seen in a photo, one photo at a time. Raises NothingThereError, InputError."""
        photo = self.photo(digest)
        with self._looking:
            if digest not in self._panels:
                size = (photo.record.width_px, photo.record.height_px)
                self._panels[digest] = visible_panels(Picture(photo.path, size, Darkroom()))
            return self._panels[digest]

    # ---- what is typed, and the answer ------------------------------------------------------------------------------

    @property
    def form(self) -> Form:
        """What was typed last."""
        with self._lock:
            return self._form

    def fill_in(self, said: Mapping[str, Any]) -> Form:
        """Keep what was typed, as it is. Raises WrongError where it is no form."""
        form = form_of(said)
        with self._lock:
            self._form = form
            self._note()
        return form

    def ask(self, said: Mapping[str, Any]) -> int:
        """Write the tables of what was typed, and ask for the answer; the ticket to wait for.

        Raises WrongError, and InputError with every fault of the tables.
        """
        form = self.fill_in(said)
        with self._lock:
            self._given = self._inputs(form)
            return self.solver.ask("project")

    def answer(self) -> tuple[Site, SiteResult]:
        """The site and its newest result, with what was decided. Raises NothingThereError."""
        with self._lock:
            if self._answer is None:
                raise NothingThereError("nothing was measured yet")
            site, result = self._answer
            return site, with_decisions(result, tuple(self._decisions.values()))

    def decide(self, antenna_id: str, verdict: str, note: str, who: str) -> None:
        """What somebody decided about an antenna that was measured. Raises NothingThereError."""
        _, result = self.answer()
        if result.antennas.get(antenna_id) is None:
            raise NothingThereError(f"no antenna '{antenna_id}' was measured")
        at = datetime.now(UTC).isoformat(timespec="seconds")
        with self._lock:
            self._decisions[antenna_id] = Decision(
                antenna_id=antenna_id,
                verdict=verdict,
                note=note,
                who=who,
                at=at,
                figures=figures_of(result, antenna_id),
            )

    def decisions(self) -> tuple[Decision, ...]:
        """What was decided since the last answer."""
        with self._lock:
            return tuple(self._decisions.values())

    def edits(self) -> Edits:
        """The same, as an audit's log tells it."""
        return Edits(decisions=self.decisions())

    def _inputs(self, form: Form) -> SiteInputs:
        """What the pipeline is given: the tables of the folder, read as the commands read them."""
        told = tables_of(form, self.photos, self.register)
        self._write(told)
        register = load_register(self.folder / "register.csv") if self.register is None else self.register
        where = {"controls": load_controls, "picks": load_picks}
        rows: dict[str, Any] = {
            name: load(self.folder / f"{name}.csv") for name, load in where.items() if f"{name}.csv" in told.tables
        }
        return site_inputs(
            register.site(told.site_id),
            [
                LocalPhoto(name=p.name, path=p.path, digest=p.digest, record=p.record)
                for p in self.photos
                if p.digest in told.used
            ],
            controls=rows.get("controls", ()),
            controls_dir=self.folder,
            picks=rows.get("picks", ()),
            picks_dir=self.folder,
            scenery=self._scenery,
        )

    def _write(self, told: Told) -> None:
        for name in ("register.csv", "picks.csv", "controls.csv", "manifest.csv"):
            if name in told.tables:
                (self.folder / name).write_text(told.tables[name], encoding="utf-8", newline="")
            elif name != "register.csv":
                (self.folder / name).unlink(missing_ok=True)

    def _solve(
        self, name: str, _draft: Callable[[SiteResult], None]
    ) -> tuple[SiteResult | None, tuple[tuple[str, str], ...]]:
        tools = Tools(memory=self._memory, room=self._room, progress=self.solver.going_on(name))
        with self._lock:
            given = self._given
        assert given is not None
        result = estimate_site(given, tools)
        with self._lock:
            self._answer, self._decisions = (given.site, result), {}
        return result, tuple((p.photo, p.reason or "") for p in result.photos if p.status == "rejected")

    # ---- the note ---------------------------------------------------------------------------------------------------

    def _note(self) -> None:
        photos = [{"file": p.path.name, "told": p.told} for p in self._photos.values()]
        text = json.dumps({"form": self._form.as_json(), "photos": photos}, indent=1, ensure_ascii=False)
        (self.folder / NOTE).write_text(text + "\n", encoding="utf-8")

    def _open_again(self) -> None:
        """Take up what lies in the folder. Raises InputError where its note is no note of a project."""
        note = self.folder / NOTE
        if not note.is_file():
            return
        try:
            told = json.loads(note.read_text(encoding="utf-8"))
            form, names = form_of(told["form"]), {str(p["file"]): str(p["told"]) for p in told["photos"]}
        except (ValueError, KeyError, TypeError, AttributeError):
            raise InputError(Fault(file=note, found="no note of a project", wanted="one that the desk wrote")) from None
        for name, called in names.items():
            path = self.folder / PHOTOS / PurePath(name).name
            if path.is_file():
                digest = file_digest(path)
                self._photos[digest] = DroppedPhoto(path=path, told=called, digest=digest, record=read_record(path))
        self._form = form
        if form.register:
            kept = [p for s in (".csv", ".xlsx") if (p := self.folder / f"register{s}").is_file()]
            self.register = load_register(kept[0], self._columns()) if kept else None


def safe_name(told: str, digest: str, format_: str) -> str:
    """A file's name: a few letters and digits of what a browser called it, and what tells it from all others."""
    stem = re.sub(r"[^A-Za-z0-9_-]+", "_", PurePath(told.replace("\\", "/")).stem).strip("_-")[:40]
    return f"{stem or 'photo'}-{digest[:8]}{_SUFFIX.get(format_.upper(), '.jpg')}"


def _shown(told: str) -> str:
    """A name to be shown: without a path, and without what does not print."""
    name = "".join(c for c in PurePath(told.replace("\\", "/")).name if c.isprintable())
    return name[:120] or "photo"
