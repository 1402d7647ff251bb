"""Listing photos of folders, lists and stores, and getting at their bytes: against real files and real servers."""

from __future__ import annotations

import csv
import functools
import http.server
import importlib.util
import io
import json
import os
import sqlite3
import sys
import threading
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner
from hypothesis import given
from hypothesis import strategies as st

from photoaz.audit import files
from photoaz.audit.filenames import shown, unshown
from photoaz.audit.files import PhotoFile, base_name, fetch, local_copy, written_at
from photoaz.audit.listing import Listing
from photoaz.cli import main
from photoaz.errors import InputError
from photoaz.sample import sample_dir

POSIX = pytest.mark.skipif(sys.platform == "win32", reason="names that only POSIX allows")
#: what people and cameras call photos; each must come back byte for byte
NAMES = [
    'a "b" c.jpg',
    "line\nend.JPG",
    "back\\slash.jpg",
    "tab\t.jpeg",
    "ümlaut.HEIC",
    "=cmd.png",
    "per%20cent#1?.jpg",
]
RAW = b"not\xff\xfeutf8.jpg"


def put(path: Path, data: bytes = b"x") -> Path:
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(data)
    return path


def urls(*paths: Any) -> list[str]:
    return [f.url for f in Listing(paths)]


# ---------------------------------------------------------------------------------------------------- folders


def test_a_folder_is_walked_in_order_without_junk(tmp_path: Path) -> None:
    wanted = ["b/1.jpg", "b/2.JPEG", "b.jpg", "c/d/e.Heic", "z.tiff"]
    for name in (*wanted, ".hidden/1.jpg", "b/.1.jpg", "b/Thumbs.db", "__MACOSX/1.jpg", "@eaDir/z.jpg", "notes.txt"):
        put(tmp_path / name)
    put(tmp_path / "c/film.mp4")
    listing = Listing([tmp_path])
    # sorted folder by folder, by the bytes of the names
    assert [f.url for f in listing] == [str(tmp_path / n) for n in ("b/1.jpg", "b/2.JPEG", *wanted[2:])]
    assert listing.passed_over == {".txt": 1, ".mp4": 1}
    assert listing.troubles == []


def test_size_and_stamp_follow_the_file(tmp_path: Path) -> None:
    path = put(tmp_path / "a.jpg", b"12345")
    os.utime(path, ns=(0, 1_600_000_000_123_456_789))
    (file,) = Listing([path])
    assert (file.size, file.stamp) == (5, "1600000000123456789")
    when = written_at(file)
    assert when is not None
    assert when.isoformat(timespec="seconds") == "2020-09-13T12:26:40+00:00"  # date -u -d @1600000000


def test_links_do_not_loop_and_show_nothing_twice(tmp_path: Path) -> None:
    put(tmp_path / "a/1.jpg")
    (tmp_path / "a/up").symlink_to(tmp_path)
    (tmp_path / "a/self").symlink_to("self")
    (tmp_path / "b").symlink_to(tmp_path / "a")
    (tmp_path / "gone.jpg").symlink_to("nowhere.jpg")
    listing = Listing([tmp_path])
    assert [f.url for f in listing] == [str(tmp_path / "a/1.jpg")]
    assert any("gone.jpg" in str(t) for t in listing.troubles)


def test_each_once_however_often_named(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    one, two = put(tmp_path / "a/1.jpg"), put(tmp_path / "a/b/2.jpg")
    both = put(tmp_path / "list.txt", b"a/1.jpg\na/b\na\n")
    monkeypatch.chdir(tmp_path)
    assert len(urls(one, tmp_path, two, "a", "./a/../a", "a/b/2.jpg", both)) == 2
    assert len(urls(one, one, "a/1.jpg", both)) == 2
    assert len(urls(both)) == 2


@POSIX
@pytest.mark.skipif(hasattr(os, "geteuid") and os.geteuid() == 0, reason="root may read everything")
def test_a_folder_without_access_is_said(tmp_path: Path) -> None:
    put(tmp_path / "a.jpg")
    put(tmp_path / "shut/b.jpg")
    (tmp_path / "shut").chmod(0)
    try:
        listing = Listing([tmp_path])
        assert len(list(listing)) == 1
        assert "no access" in str(listing.troubles[0])
        with pytest.raises(InputError, match="no access"):
            Listing([tmp_path / "shut"])
    finally:
        (tmp_path / "shut").chmod(0o755)


def test_a_folder_that_cannot_be_read_is_said(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """As above for whoever may read everything: the system call refuses."""
    put(tmp_path / "a.jpg")
    put(tmp_path / "shut/b.jpg")
    scandir = os.scandir

    def refusing(path: Any) -> Any:
        if str(path).endswith("shut"):
            raise PermissionError(13, "Permission denied", str(path))
        return scandir(path)

    monkeypatch.setattr(os, "scandir", refusing)
    notes: list[str] = []
    listing = Listing([tmp_path], note=notes.append)
    assert len(list(listing)) == 1
    assert [n for n in notes if "shut" in n and "no access" in n] == notes != []


def test_a_stream(tmp_path: Path) -> None:
    for k in range(50):
        put(tmp_path / f"{k // 10}/{k}.jpg")
    listing = iter(Listing([tmp_path]))
    next(listing)
    # a folder that appears behind the first one is found: nothing was read ahead
    put(tmp_path / "0/later/x.jpg")
    put(tmp_path / "4/later/x.jpg")
    assert any("4" in Path(f.url).parts and f.url.endswith("x.jpg") for f in listing)


def test_missing_paths_all_at_once(tmp_path: Path) -> None:
    put(tmp_path / "a.jpg")
    with pytest.raises(InputError) as caught:
        Listing([tmp_path / "no", tmp_path / "a.jpg", tmp_path / "nor*.jpg"])
    assert len(caught.value.faults) == 2
    with pytest.raises(InputError):
        Listing([])


def test_patterns_that_no_shell_expanded(tmp_path: Path) -> None:
    put(tmp_path / "a1.jpg")
    put(tmp_path / "a[2].jpg")
    put(tmp_path / "b.jpg")
    assert urls(tmp_path / "a*.jpg") == [str(tmp_path / "a1.jpg"), str(tmp_path / "a[2].jpg")]
    assert urls(tmp_path / "a[2].jpg") == [str(tmp_path / "a[2].jpg")]


def test_single_files_that_are_no_photo_are_counted(tmp_path: Path) -> None:
    listing = Listing([put(tmp_path / "a.jpg"), put(tmp_path / "film.mp4")])
    assert len(list(listing)) == 1
    assert listing.passed_over == {".mp4": 1}


# ---------------------------------------------------------------------------------------------------- lists


def test_a_list_of_paths(tmp_path: Path) -> None:
    put(tmp_path / "in/a.jpg")
    put(tmp_path / "in/b/c.jpg")
    put(tmp_path / "in/film.mp4")
    far = put(tmp_path / "far.jpg")
    text = f"\ufeff# photos\n\na.jpg\r\nb\nfilm.mp4\n{far}\na.jpg\nnone.jpg\nother.txt\n"
    listing = Listing([put(tmp_path / "in/list.txt", text.encode())])
    assert [f.url for f in listing] == [str(tmp_path / n) for n in ("in/a.jpg", "in/b/c.jpg", "far.jpg")]
    assert listing.passed_over == {".mp4": 1, ".txt": 1}
    (fault,) = listing.troubles
    assert fault.line == 8
    assert "none.jpg" in fault.found


def test_paths_relative_to_the_current_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    put(tmp_path / "a.jpg")
    monkeypatch.chdir(tmp_path)
    assert urls(put(tmp_path / "lists/l.txt", b"a.jpg\n")) == ["a.jpg"]


@POSIX
def test_names_of_all_kinds(tmp_path: Path) -> None:
    for name in NAMES:
        put(tmp_path / "in" / name, name.encode())
    raw = os.fsencode(tmp_path / "in") + b"/" + RAW
    with open(raw, "wb") as file:
        file.write(RAW)
    found = list(Listing([tmp_path / "in"]))
    assert {os.fsencode(f.url).rpartition(b"/")[2]: fetch(f) for f in found} == {
        **{n.encode(): n.encode() for n in NAMES},
        RAW: RAW,
    }
    # ended by NUL, a list can hold them all
    listed = b"\0".join(os.fsencode(f.url) for f in found) + b"\0"
    assert {f.url for f in Listing([put(tmp_path / "l.txt", listed)])} == {f.url for f in found}
    # JSON, CSV and SQLite take the names as `shown`, and give them back
    names = [f.name for f in found]
    assert [unshown(n) for n in names] == [f.url for f in found]
    assert json.loads(json.dumps(names).encode("utf-8")) == names
    out = io.StringIO(newline="")
    csv.writer(out).writerows([n] for n in names)
    assert len(out.getvalue().encode("utf-8").splitlines()) == len(names)
    assert [row[0] for row in csv.reader(io.StringIO(out.getvalue(), newline=""))] == names
    with sqlite3.connect(":memory:") as db:
        db.execute("create table t (n text primary key)")
        db.executemany("insert into t values (?)", [(n,) for n in names])
        assert sorted(row[0] for row in db.execute("select n from t")) == sorted(names)
    for f in found:
        with local_copy(f) as path:
            assert path.read_bytes() == fetch(f)


@given(st.text(st.characters(codec=None, categories=None)))
def test_shown_is_printable_and_takes_nothing_away(text: str) -> None:
    there = shown(text)
    assert unshown(there) == text
    assert there.isprintable()
    there.encode("utf-8")


@given(st.binary())
def test_shown_of_bytes(raw: bytes) -> None:
    name = raw.decode("utf-8", "surrogateescape")
    assert unshown(shown(name)).encode("utf-8", "surrogateescape") == raw


def test_plain_names_are_shown_as_they_are() -> None:
    for name in ("a/b c.jpg", 'é"quoted".jpg', "s3://bucket/a.jpg", "=1+1.jpg"):
        assert shown(name) == name
    assert shown("a\udcff\n\u202eb\\") == r"a\xff\n\u202eb\\"


# ---------------------------------------------------------------------------------------------------- bytes


def test_a_file_that_went_away(tmp_path: Path) -> None:
    gone = PhotoFile(str(tmp_path / "a.jpg"), 1, "1")
    with pytest.raises(InputError, match="nothing there"):
        fetch(gone)
    with pytest.raises(InputError, match="nothing there"), local_copy(gone):
        pass


def test_a_local_copy_of_a_local_file_is_itself(tmp_path: Path) -> None:
    path = put(tmp_path / "a.jpg")
    with local_copy(str(path)) as copy:
        assert copy == path
    with local_copy(path.as_uri()) as copy:
        assert copy.samefile(path)


def test_file_urls(tmp_path: Path) -> None:
    path = put(tmp_path / "in ü" / "a%20 b.jpg", b"abc")
    for url in (path.parent.as_uri(), path.as_uri(), f"file://{path}", f"file://localhost{path.as_posix()}"):
        (file,) = Listing([url])
        assert file.url == str(path)
        assert fetch(file) == fetch(url) == b"abc" if url.endswith("jpg") else fetch(file) == b"abc"
        assert written_at(file) is not None


def test_too_large_is_said_before_it_is_read(tmp_path: Path) -> None:
    path = tmp_path / "a.jpg"
    with path.open("wb") as file:
        file.truncate(files.MOST_BYTES + 1)  # a hole, no bytes on the disk
    with pytest.raises(InputError, match="GiB"):
        fetch(str(path))
    with pytest.raises(InputError, match="GiB"):
        fetch(PhotoFile("s3://photos/a.jpg", files.MOST_BYTES + 1, ""))


@pytest.mark.parametrize(
    ("url", "name"),
    [
        ("/a/b.jpg", "b.jpg"),
        ("s3://bucket/a/b c.jpg", "b c.jpg"),
        ("https://host/a/b%20c.jpg?token=x/y#z", "b c.jpg"),
        ("https://host/", "photo"),
        ("https://host/..", "photo"),
        ("https://host/a%2F..%2Fb.jpg", "b.jpg"),
        ("s3://bucket/" + "x" * 300 + ".jpg", "photo"),
    ],
)
def test_base_names(url: str, name: str) -> None:
    assert base_name(url) == name


def test_unknown_schemes_and_missing_packages(monkeypatch: pytest.MonkeyPatch) -> None:
    pytest.importorskip("fsspec")
    with pytest.raises(InputError, match="unknown scheme 'gopherx'"):
        Listing(["gopherx://a/b.jpg"])
    for scheme, package in (("s3", "s3fs"), ("gs", "gcsfs"), ("https", "aiohttp")):
        with monkeypatch.context() as m:
            m.setitem(sys.modules, package, None)  # what Python does with a package that is not there
            for known in ("s3", "gs", "https"):
                m.delitem(sys.modules["fsspec.registry"]._registry, known, raising=False)
            with pytest.raises(InputError, match=f"the package {package}"):
                Listing([f"{scheme}://bucket/a.jpg"])
            with pytest.raises(InputError, match=f"the package {package}"):
                fetch(f"{scheme}://bucket/a.jpg")


# ---------------------------------------------------------------------------------------------------- http


class _Handler(http.server.SimpleHTTPRequestHandler):
    """Serves a folder; the first `failures` requests of each path get 503; /shut is forbidden, /slow never answers."""

    failures = 0
    asked: dict[str, int]

    def _refused(self) -> bool:
        self.asked[self.path] = self.asked.get(self.path, 0) + 1
        if self.path.startswith("/shut"):
            self.send_error(403)
        elif self.path.startswith("/slow"):
            threading.Event().wait(1.5)
            self.close_connection = True
        elif self.asked[self.path] <= self.failures:
            self.send_error(503)
        else:
            return False
        return True

    def do_GET(self) -> None:
        if not self._refused():
            super().do_GET()

    def do_HEAD(self) -> None:
        if not self._refused():
            super().do_HEAD()

    def log_message(self, *_: object) -> None:
        pass


@pytest.fixture
def web(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[tuple[str, Path, type[_Handler]]]:
    pytest.importorskip("aiohttp", reason="photos behind http need aiohttp")
    pytest.importorskip("fsspec", reason="URLs need fsspec")
    monkeypatch.setattr(files, "_FIRST_WAIT_S", 0.01)
    folder = tmp_path / "web"
    folder.mkdir()
    handler = type("Handler", (_Handler,), {"asked": {}})
    with http.server.ThreadingHTTPServer(("127.0.0.1", 0), functools.partial(handler, directory=str(folder))) as server:
        thread = threading.Thread(target=server.serve_forever, daemon=True)
        thread.start()
        yield f"http://127.0.0.1:{server.server_address[1]}", folder, handler
        server.shutdown()
        thread.join()


def test_http(web: tuple[str, Path, type[_Handler]]) -> None:
    root, folder, _ = web
    put(folder / "a b.jpg", b"abc")
    put(folder / "in/c.JPG", b"cde")
    put(folder / "in/notes.doc")
    (single,) = Listing([f"{root}/a%20b.jpg?size=full"])
    assert (single.size, fetch(single)) == (3, b"abc")
    assert single.stamp.endswith("GMT")  # Last-Modified: this server knows no ETag
    with local_copy(single) as path:
        assert (path.name, path.read_bytes()) == ("a b.jpg", b"abc")
    assert not path.exists()
    listing = Listing([f"{root}/in/"])
    (found,) = listing
    assert (found.url, found.size, fetch(found)) == (f"{root}/in/c.JPG", 3, b"cde")
    assert listing.passed_over == {".doc": 1}
    remote = put(folder / "list.txt", f"in/c.JPG\n{root}/in/c.JPG\nnone.jpg\n".encode())
    listing = Listing([f"{root}/{remote.name}"])
    assert [f.url for f in listing] == [f"{root}/in/c.JPG"]
    assert [t.line for t in listing.troubles] == [3]


def test_an_audit_of_photos_that_the_server_does_not_hand_out_says_why(
    web: tuple[str, Path, type[_Handler]], tmp_path: Path
) -> None:
    """It said "no photo", as of an empty folder."""
    root, folder, handler = web
    for k in range(3):
        put(folder / f"{k}.jpg", b"abc")
    listed = put(tmp_path / "list.txt", "\n".join(f"{root}/{k}.jpg" for k in range(3)).encode())
    handler.failures = 1000
    command = ["audit", str(listed), "--register", str(sample_dir() / "register.csv"), "--out", str(tmp_path / "out")]
    done = CliRunner().invoke(main, [*command, "-q"])
    assert done.exit_code == 2
    assert "3 cannot" in done.stderr
    assert "503" in done.stderr


def test_http_troubles(web: tuple[str, Path, type[_Handler]], monkeypatch: pytest.MonkeyPatch) -> None:
    root, folder, handler = web
    put(folder / "a.jpg", b"abc")
    for url, words in ((f"{root}/none.jpg", "nothing there"), (f"{root}/shut.jpg", "no access")):
        with pytest.raises(InputError, match=words):
            fetch(url)
        with pytest.raises(InputError, match=words):
            Listing([url])
    assert handler.asked["/shut.jpg"] == 3  # never tried again: one fetch, and of the listing one HEAD and one GET
    handler.failures = 2
    assert fetch(f"{root}/a.jpg") == b"abc"
    handler.failures = 100
    with pytest.raises(InputError, match=r"after 3 tries"):
        fetch(f"{root}/a.jpg?x")
    monkeypatch.setattr(files, "TIMEOUT_S", 0.2)
    with pytest.raises(InputError, match="no answer in time"):
        fetch(f"{root}/slow.jpg")
    with pytest.raises(InputError, match="no connection"):
        fetch("http://127.0.0.1:9/a.jpg")  # the discard port: nobody listens


# ---------------------------------------------------------------------------------------------------- s3

LACKING = [p for p in ("moto", "s3fs", "flask", "boto3") if importlib.util.find_spec(p) is None]


@pytest.fixture(scope="module")
def bucket() -> Iterator[tuple[str, Any]]:
    if LACKING:
        pytest.skip(f"an S3 server to test against needs {', '.join(LACKING)}")
    import warnings

    patch = pytest.MonkeyPatch()
    for key, value in (("AWS_ACCESS_KEY_ID", "t"), ("AWS_SECRET_ACCESS_KEY", "t"), ("AWS_DEFAULT_REGION", "eu-west-1")):
        patch.setenv(key, value)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # the server's packages, not ours
        import boto3
        from moto.server import ThreadedMotoServer

        server = ThreadedMotoServer(ip_address="127.0.0.1", port=0, verbose=False)
        server.start()
        host, port = server.get_host_and_port()
        url = f"http://{host}:{port}"
        patch.setenv("AWS_ENDPOINT_URL", url)
        client = boto3.client("s3", endpoint_url=url)
        client.create_bucket(Bucket="photos", CreateBucketConfiguration={"LocationConstraint": "eu-west-1"})
        yield url, client
        server.stop()
    patch.undo()


def test_s3(bucket: tuple[str, Any]) -> None:
    _, client = bucket
    names = ["p/a.jpg", "p/deep/er/b.JPG", "p/ü [1] é.jpg", 'p/q"uote.jpg', "p2/c.jpg", "p/notes.doc", "p/.d.jpg"]
    tags = {n: client.put_object(Bucket="photos", Key=n, Body=n.encode())["ETag"].strip('"') for n in names}
    client.put_object(Bucket="photos", Key="p/", Body=b"")  # a folder's marker, as consoles make it
    listing = Listing(["s3://photos/p"])
    found = list(listing)
    # by the bytes of the names, as S3 itself sorts keys within a level
    assert [f.url for f in found] == [f"s3://photos/{n}" for n in sorted(names[:4], key=str.encode)]
    assert (listing.passed_over, listing.troubles) == ({".doc": 1}, [])
    for f in found:
        key = f.url.removeprefix("s3://photos/")
        assert (f.size, f.stamp, fetch(f)) == (len(key.encode()), tags[key], key.encode())
        with local_copy(f) as path:
            assert (path.name, path.read_bytes()) == (key.rpartition("/")[2], key.encode())
    assert urls("s3://photos/p/a.jpg") == ["s3://photos/p/a.jpg"]
    assert urls("s3://photos/p*/*.jpg") == [
        f"s3://photos/{n}" for n in ("p/a.jpg", 'p/q"uote.jpg', "p/ü [1] é.jpg", "p2/c.jpg")
    ]
    assert urls("s3://photos/p2/c") == ["s3://photos/p2/c.jpg"]  # the beginning of a name
    assert len(urls("s3://photos/p/a.jpg", "s3://photos/p/deep", "s3://photos/p")) == 4
    assert len(urls("s3://photos")) == 5


def test_s3_changes_are_seen(bucket: tuple[str, Any]) -> None:
    _, client = bucket
    stamps = []
    for body in (b"one", b"two"):
        client.put_object(Bucket="photos", Key="change/a.jpg", Body=body)
        (file,) = Listing(["s3://photos/change"])
        stamps.append(file.stamp)
        assert fetch(file) == body
    assert stamps[0] != stamps[1]


def test_s3_troubles(bucket: tuple[str, Any], monkeypatch: pytest.MonkeyPatch) -> None:
    for url in ("s3://photos/none/at/all.jpg", "s3://no-such-bucket/a.jpg", "s3://photos/none*.jpg"):
        with pytest.raises(InputError, match="nothing"):
            Listing([url])
    with pytest.raises(InputError, match="nothing there"):
        fetch("s3://photos/none.jpg")
    monkeypatch.setattr(files, "TRIES", 2)
    monkeypatch.setattr(files, "_FIRST_WAIT_S", 0.01)
    monkeypatch.setenv("AWS_ENDPOINT_URL", "http://127.0.0.1:9")
    monkeypatch.setenv("AWS_MAX_ATTEMPTS", "1")
    sys.modules["s3fs"].S3FileSystem.clear_instance_cache()
    with pytest.raises(InputError, match="no connection"):
        fetch("s3://photos/a.jpg")
    sys.modules["s3fs"].S3FileSystem.clear_instance_cache()
