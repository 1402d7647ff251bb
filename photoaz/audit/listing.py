"""Which photos there are, in folders, in lists and behind URLs.

Listing is a stream: of two million photos one folder's names lie in memory at a time.
"""

from __future__ import annotations

import glob
import os
import re
import stat
import sys
import urllib.parse
from collections import Counter
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

from photoaz.addresses import without_secrets
from photoaz.audit.filenames import LIST_SUFFIXES, PHOTO_SUFFIXES, is_junk, is_url, protocol, shown, suffix
from photoaz.audit.files import NOTHING, PhotoFile, ask, fault_of, fetch, file_system, local_path
from photoaz.errors import Fault, InputError

_MAGIC = re.compile(r"[*?\[]")


def _order(name: str) -> bytes:
    return os.fsencode(name)


@dataclass(frozen=True, slots=True)
class _Local:
    """A file or folder of this machine, looked at only as far as is asked.

    entry: where a folder's listing told something of it already. What cannot be looked at raises OSError.
    """

    url: str
    entry: os.DirEntry[str] | None = None

    def _status(self) -> os.stat_result:
        return os.stat(self.url) if self.entry is None else self.entry.stat()

    def is_folder(self) -> bool:
        return stat.S_ISDIR(self._status().st_mode) if self.entry is None else self.entry.is_dir()

    def key(self) -> object:
        """What it is, by whatever way it is reached."""
        status = self._status()
        if stat.S_ISDIR(status.st_mode):
            return _folder_key(self.url)
        return status.st_dev, status.st_ino, os.path.basename(self.url)

    def parent_key(self) -> object:
        return _folder_key(os.path.dirname(self.url) or ".")

    def children(self) -> list[_Local]:
        with os.scandir(self.url) as entries:
            return [_Local(_slashes(e.path), e) for e in sorted(entries, key=lambda e: _order(e.name))]

    def file(self) -> PhotoFile:
        status = self._status()
        if not stat.S_ISREG(status.st_mode):
            raise InputError(Fault(file=shown(self.url), found="neither a file nor a folder", wanted="a photo"))
        return PhotoFile(self.url, status.st_size, str(status.st_mtime_ns))


def _folder_key(path: str) -> object:
    status = os.stat(path)
    return (status.st_dev, status.st_ino) if status.st_ino else os.path.realpath(path)


def _slashes(path: str) -> str:
    return path.replace("\\", "/") if sys.platform == "win32" else path


@dataclass(frozen=True, slots=True)
class _Remote:
    """The same behind a URL; info: what fsspec's file system says of it. Raises InputError."""

    fs: Any
    info: Mapping[str, Any]

    @property
    def url(self) -> str:
        return str(self.fs.unstrip_protocol(str(self.info["name"])))

    def is_folder(self) -> bool:
        return self.info.get("type") == "directory"

    def key(self) -> object:
        return without_secrets(self.url).rstrip("/")

    def parent_key(self) -> object:
        return without_secrets(self.url).rpartition("/")[0]

    def children(self) -> list[_Remote]:
        where = str(self.info["name"])
        inside = where.rstrip("/") + "/"
        infos = ask(self.url, lambda: self.fs.ls(where, detail=True))
        # object stores list a folder's own marker inside it; web pages link upwards and elsewhere
        own = [i for i in infos if str(i["name"]).startswith(inside) and str(i["name"]).rstrip("/") + "/" != inside]
        return _remotes(self.fs, own)

    def file(self) -> PhotoFile:
        info = self.info
        if not _stamp(info) and self.url.startswith("http"):  # a web page's list of links says nothing of the files
            info = ask(self.url, lambda: self.fs.info(info["name"]))
        size = info.get("size")
        return PhotoFile(self.url, None if size is None else int(size), _stamp(info))


def _remotes(fs: Any, infos: Sequence[Mapping[str, Any]]) -> list[_Remote]:
    return [_Remote(fs, info) for info in sorted(infos, key=lambda i: _order(str(i["name"])))]


def _stamp(info: Mapping[str, Any]) -> str:
    for key in ("ETag", "etag", "md5Hash", "content_md5", "Content-MD5", "Last-Modified", "LastModified"):
        if info.get(key):
            return str(info[key]).strip('"')
    for key in ("last_modified", "updated", "mtime", "created"):
        value = info.get(key)
        if value:
            return value.isoformat() if isinstance(value, datetime) else str(value)
    return ""


@dataclass(frozen=True, slots=True)
class _Source:
    """What a path stands for: a folder, a file (perhaps a list), or what fits a pattern."""

    url: str
    entries: Sequence[_Local | _Remote]
    folder: bool = False
    pattern: bool = False


def _source_of(text: str) -> _Source:
    """Nothing but the path itself is looked at. Raises InputError where nothing is there or it cannot be read."""
    path = local_path(text)
    return _remote_source(text) if path is None else _local_source(path)


def _local_source(text: str) -> _Source:
    # without needless parts; '..' stays, which across a link is no needless part
    path = _slashes(os.fspath(Path(text))) if text else text
    try:
        folder = stat.S_ISDIR(os.stat(path).st_mode)
        if folder:
            os.scandir(path).close()
        return _Source(path, (_Local(path),), folder)
    except OSError as err:
        found = glob.glob(path, recursive=True) if _MAGIC.search(path) and not isinstance(err, PermissionError) else []
        if not found:
            raise InputError(fault_of(path, err)) from None
        return _Source(path, [_Local(one) for one in sorted(found, key=_order)], pattern=True)


def _remote_source(url: str) -> _Source:
    fs, path = file_system(url)
    web = protocol(url) in ("http", "https")
    if _MAGIC.search(path.replace("?", "") if web else path):
        found = ask(url, lambda: fs.glob(path, detail=True))
        if not found:
            wanted = "a pattern that some photo fits"
            raise InputError(Fault(file=shown(url), found="nothing that fits", wanted=wanted))
        return _Source(url, _remotes(fs, list(found.values())), pattern=True)
    try:
        page = web and url.endswith("/")
        one = _Remote(fs, {"name": path, "type": "directory"} if page else ask(url, lambda: fs.info(path)))
        return _Source(url, (one,), one.is_folder())
    except InputError as err:
        # no file and no folder, but perhaps the beginning of some names
        begun = not web and err.faults[0].found == NOTHING
        found = ask(url, lambda: fs.glob(path + "*", detail=True)) if begun else {}
        if not found:
            raise
        return _Source(url, _remotes(fs, list(found.values())), pattern=True)


class Listing:
    """Photos of several paths, in the order of their names, each once. Iterate it (once); the counts grow as it goes.

    paths : folders are walked whole. A list (.txt, .lst) holds a path or URL a line; '#' begins a remark. URLs are
    those of fsspec (file, s3, gs, http, ...): one photo, a folder, a pattern with * or the beginning of names. note :
    told each trouble in words.

    passed_over : files that are no photo by their suffix, by suffix. troubles : what could not be read or found, which
    does not stop the rest.

    Raises InputError: a path that is not there or cannot be read (all such paths at once), or a missing package.
    """

    def __init__(self, paths: Sequence[str | os.PathLike[str]], note: Callable[[str], object] = lambda _: None) -> None:
        self.passed_over: Counter[str] = Counter()
        self.troubles: list[Fault] = []
        self._note = note
        # what came already: folders, and files that were named singly
        self._folders: set[object] = set()
        self._single: set[object] = set()
        sources: list[_Source] = []
        faults: list[Fault] = []
        for text in sorted({os.fspath(p) for p in paths}, key=_order):
            try:
                sources.append(_source_of(text))
            except InputError as err:
                faults += err.faults
        if not paths:
            faults.append(Fault(file="PATH", found="nothing", wanted="a folder, a photo, a list of photos or a URL"))
        if faults:
            raise InputError(faults)
        # folders first: whether a single file lies in one of them is then known
        self._sources = sorted(sources, key=lambda s: not s.folder)

    def __iter__(self) -> Iterator[PhotoFile]:
        sources, self._sources = self._sources, []
        for source in sources:
            is_list = suffix(source.url) in LIST_SUFFIXES and not source.folder and not source.pattern
            yield from self._list(source.url) if is_list else self._walk(source)

    def _trouble(self, fault: Fault) -> None:
        self.troubles.append(fault)
        self._note(str(fault))

    def _walk(self, source: _Source, trouble: Callable[[Fault], None] | None = None) -> Iterator[PhotoFile]:
        """Depth first in the order of names; a folder reached again, by whatever link, is not walked again."""
        trouble = trouble or self._trouble
        stack = [iter(source.entries)]
        while stack:
            entry = next(stack[-1], None)
            if entry is None:
                stack.pop()
                continue
            within = len(stack) > 1
            if (within or source.pattern) and is_junk(entry.url.rstrip("/").rpartition("/")[2]):
                continue
            try:
                if entry.is_folder():
                    key = entry.key()
                    if key not in self._folders:
                        self._folders.add(key)
                        stack.append(iter(entry.children()))
                elif suffix(entry.url) not in PHOTO_SUFFIXES:
                    self.passed_over[suffix(entry.url)] += 1
                elif within:
                    if not self._single or entry.key() not in self._single:
                        yield entry.file()
                elif (key := entry.key()) not in self._single and entry.parent_key() not in self._folders:
                    self._single.add(key)
                    yield entry.file()
            except InputError as err:
                trouble(err.faults[0])
            except OSError as err:  # a loop of links, a link to nowhere, a file that just went away
                trouble(fault_of(entry.url, err))

    def _list(self, text: str) -> Iterator[PhotoFile]:
        """Paths and URLs of a list, one a line (or ended by NUL bytes, as `find -print0` writes them).

        Relative ones count from the list's own folder, or else from the current one. A list in a list is no list.
        """
        raw = fetch(text).removeprefix(b"\xef\xbb\xbf")
        by_nul = b"\0" in raw
        for line, piece in enumerate(raw.split(b"\0") if by_nul else raw.splitlines(), 1):
            name = piece.decode("utf-8", "surrogateescape")
            name = name if by_nul else name.strip()
            if not name or (name.startswith("#") and not by_nul):
                continue
            where = _beside(text, name)
            if suffix(where) in LIST_SUFFIXES and not os.path.isdir(where):
                self.passed_over[suffix(where)] += 1
                continue

            def trouble(fault: Fault, line: int = line) -> None:
                found = f"{fault.file} ({fault.found})"
                self._trouble(Fault(file=shown(text), line=line, found=found, wanted=fault.wanted))

            try:
                source = _source_of(where)
            except InputError as err:
                trouble(err.faults[0])
            else:
                yield from self._walk(source, trouble)


def _beside(text: str, name: str) -> str:
    """What a list means by a name."""
    if is_url(name):
        return name
    if is_url(text):
        return urllib.parse.urljoin(text, name) if text.startswith("http") else f"{text.rpartition('/')[0]}/{name}"
    beside = os.path.join(os.path.dirname(text), name)
    return beside if os.path.lexists(beside) or not os.path.lexists(name) else name
