"""Which rows mean which photo; the manifest."""

from __future__ import annotations

import itertools
import os
import unicodedata
from pathlib import Path

import pytest

from photoaz.errors import InputError
from photoaz.register.columns import load_columns
from photoaz.register.photos import PhotoIndex, load_manifest


def matches_photo(name, photo, folder):
    """The rule in a few lines: the file's name, or a path relative to the table's folder, accents in either form."""
    name = unicodedata.normalize("NFC", name.replace("\\", "/"))
    if "/" not in name:
        return name == unicodedata.normalize("NFC", Path(photo).name)
    return os.path.realpath(Path(folder) / name) == unicodedata.normalize("NFC", os.path.realpath(photo))


def test_the_index_says_what_the_comparison_says(tmp_path):
    """Every name against every photo, links included: `matches_photo` is the reference."""
    for folder in ("north", "south", "tables"):
        (tmp_path / folder).mkdir()
    for name in ("north/a.jpg", "south/a.jpg", "south/Übersicht.jpg"):
        (tmp_path / name).write_bytes(b"")
    (tmp_path / "south/link.jpg").symlink_to(tmp_path / "north/a.jpg")
    (tmp_path / "linked").symlink_to(tmp_path / "north")
    names = [
        "a.jpg",
        "link.jpg",
        "Übersicht.jpg",
        "U\N{COMBINING DIAERESIS}bersicht.jpg",
        "../north/a.jpg",
        "..\\south\\a.jpg",
        "../south/link.jpg",
        "../linked/a.jpg",
        "../south/./../south/U\N{COMBINING DIAERESIS}bersicht.jpg",
        "../absent/a.jpg",
        str(tmp_path / "north/a.jpg"),
        "ersicht.jpg",
        "..",
    ]
    photos = [
        *tmp_path.glob("*/*.jpg"),
        tmp_path / "linked/a.jpg",
        tmp_path / "absent/a.jpg",
        tmp_path / "north/../south/a.jpg",
    ]
    index = PhotoIndex(((name, name) for name in names), tmp_path / "tables")
    hits = 0
    for photo in photos:
        wanted = [name for name in names if matches_photo(name, photo, tmp_path / "tables")]
        assert list(index.of(photo)) == wanted, photo
        hits += len(wanted)
    assert hits > 15


def test_rows_come_in_the_table_s_order(tmp_path):
    index = PhotoIndex([("a.jpg", 1), ("x/a.jpg", 2), ("a.jpg", 3), ("x/a.jpg", 4)], tmp_path)
    assert index.of(tmp_path / "x" / "a.jpg") == (1, 2, 3, 4)
    assert index.named(tmp_path / "x" / "a.jpg") == (2, 4)
    assert index.of(tmp_path / "y" / "a.jpg") == (1, 3)
    assert index.named(tmp_path / "y" / "a.jpg") == ()


def test_urls_and_roots(tmp_path):
    rows = [("S1/a.jpg", 1), ("s3://bucket/archive/S2/a.jpg", 2), ("b.jpg", 3)]
    index = PhotoIndex(rows, tmp_path, roots=["s3://bucket/archive/", tmp_path / "photos"])
    assert index.of("s3://bucket/archive/S1/a.jpg") == (1,)
    assert index.of("s3://bucket/archive/S2/a.jpg") == (2,)
    assert index.of("s3://bucket/other/S1/a.jpg") == ()
    assert index.of("https://host/b.jpg") == (3,)
    assert index.of(tmp_path / "photos/S1/a.jpg") == (1,)
    assert index.of(tmp_path / "S1/a.jpg") == (1,)


def write(tmp_path, text, name="m.csv"):
    path = tmp_path / name
    path.write_text(text, encoding="utf-8")
    return path


def test_manifest(tmp_path):
    manifest = load_manifest(write(tmp_path, "photo,site_id\nS1/a.jpg,S1\na.jpg,S2\nS1/a.jpg,S1\n"))
    assert dict(manifest) == {"S1/a.jpg": "S1", "a.jpg": "S2"}
    assert manifest[str(tmp_path / "S1/a.jpg")] == "S1"  # a path goes before a name
    assert manifest[str(tmp_path / "other/a.jpg")] == "S2"
    assert manifest.get("b.jpg") is None
    assert "b.jpg" not in manifest
    assert len(manifest) == 2


def test_manifest_faults(tmp_path):
    with pytest.raises(InputError) as e:
        load_manifest(write(tmp_path, "photo,site_id\na.jpg,S1\na.jpg,S2\nb.jpg,\n,S3\n"))
    assert [(f.line, f.column) for f in e.value.faults] == [(3, "site_id"), (4, "site_id"), (5, "photo")]
    assert "S1, which line 2 gives" in str(e.value)
    with pytest.raises(InputError, match="also site_id"):
        load_manifest(write(tmp_path, "photo,site\na.jpg,S1\n"))


def test_manifest_with_headings_of_its_own(tmp_path):
    columns = load_columns(write(tmp_path, '[manifest.columns]\nphoto = "File"\nsite_id = "Tower"\n', "c.toml"))
    assert load_manifest(write(tmp_path, "File;Tower\na.jpg;S1\n"), columns)["x/a.jpg"] == "S1"


def test_many_photos_and_rows_in_time(tmp_path):
    """20 000 photos times 20 000 rows would be 4e8 comparisons, an hour; 10 s leave room for a slow machine."""
    import time

    names = [f"S{i}/p{j}.jpg" for i, j in itertools.product(range(200), range(100))]
    start = time.process_time()
    index = PhotoIndex(((name, name) for name in names), tmp_path)
    assert all(index.of(tmp_path / name) == (name,) for name in names)
    assert time.process_time() - start < 10.0
