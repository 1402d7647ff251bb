"""`photoaz desk`."""

from __future__ import annotations

import contextlib
import os
import secrets
import shutil
import tempfile
import webbrowser
from collections.abc import Callable, Collection, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from photoaz.cli.audit import called_as
from photoaz.cli.group import COLUMNS, FOLDER, OLD_FOLDER, SURROUNDINGS, TERRAIN, file_option, main
from photoaz.cli.streams import say
from photoaz.errors import Fault, InputError

if TYPE_CHECKING:
    from photoaz.audit.store import Store
    from photoaz.desk.session import Given

PORT = 8377
TOKEN_VARIABLE = "PHOTOAZ_DESK_TOKEN"


@main.command(short_help="Look at an audit's results in a browser, correct and decide.")
@click.argument("folder", metavar="[DIR]", type=OLD_FOLDER, required=False)
@click.option("--port", metavar="N", type=click.IntRange(0, 65535), help=f"[default: {PORT}, or another that is free]")
@click.option("--host", metavar="H", default="127.0.0.1", show_default=True, help="Where to listen.")
@file_option(
    "--token-file",
    "F",
    f"A file with a token, without which nothing is answered. [{TOKEN_VARIABLE}; else one is made, where others "
    "can reach the page or there is no DIR]",
)
@click.option("--no-browser", is_flag=True, help="Only print the address, as where there is a token.")
@file_option(
    "--register", "R", "The register of a folder of photos that has no audit yet, or of the photos that are dropped."
)
@COLUMNS
@click.option(
    "--out",
    metavar="OUT",
    type=FOLDER,
    help="The folder for results, or for what is dropped. [default: DIR-audit beside DIR; a temporary folder]",
)
@SURROUNDINGS
@TERRAIN
def desk(
    folder: Path | None,
    port: int | None,
    host: str,
    token_file: Path | None,
    no_browser: bool,
    register: Path | None,
    columns: Path | None,
    out: Path | None,
    surroundings: Path | None,
    terrain: Path | None,
) -> None:
    """Serve a page on this machine over an audit's results. DIR is the folder that 'photoaz audit --out' wrote.

    Sites are listed by what a visit would save. In each photo boxes can be put right, antennas named, landmarks,
    the sun, plumb lines and shadows marked; the site is solved again after each change. What is done there is kept in
    the audit's store with name and time, and 'photoaz audit' uses it from then on. Over a folder of photos without an
    audit, give --register: photos are read and put to their sites, and each site is solved when it is opened.

    Without DIR it opens a page on which photos are dropped, from this machine or, with --host 0.0.0.0, from a phone in
    the same network: click the antenna, say how high it hangs and where it should point, and the answer appears beside
    the photo. What is dropped becomes a folder that 'photoaz audit' and 'photoaz desk DIR' take.

    \b
    Example:
      photoaz desk audit-2026
    """
    from photoaz.desk.guard import is_loopback

    token = token_of(token_file)
    if token is None and (folder is None or not is_loopback(host)):
        token = new_token()
    if columns is not None and register is None:
        raise InputError(Fault(file="--columns", found=str(columns), wanted="--register R as well"))
    scenery: dict[str, Path | None] = {"surroundings": surroundings, "terrain": terrain}
    given = {role: path for role, path in scenery.items() if path is not None}
    if folder is None:
        assert token is not None
        _serve_drop(out, register, columns, given, host, port, token, no_browser)
        return
    results = _results(folder, register, {"columns": columns, **scenery}, out)
    _serve(results, host, port, token, no_browser, given)


def _results(folder: Path, register: Path | None, tables: Mapping[str, Path | None], out: Path | None) -> Path:
    """The folder of results over which to sit; made where there are only photos yet."""
    from photoaz.desk.project import NOTE as PROJECT
    from photoaz.present.folder import NOTE, STORE

    def audited(one: Path) -> bool:
        return (one / STORE).is_file() or (one / NOTE).is_file()

    if register is None and (folder / PROJECT).is_file() and not audited(folder):
        results = out or folder / "audit"
        if audited(results):
            return results
        dropped, own = _tables(folder)
        return without_solving(folder / "photos", dropped, {**tables, **own}, results)
    if register is not None:
        return without_solving(folder, register, tables, out)
    if out is not None:
        raise InputError(Fault(file="--out", found=str(out), wanted="--register R as well"))
    if not audited(folder):
        wanted = (
            f"the folder that 'photoaz audit --out' wrote; over photos without an audit: "
            f"photoaz desk {folder} --register REGISTER"
        )
        raise InputError(Fault(file=folder, found="no results of an audit", wanted=wanted))
    return folder


def _tables(project: Path) -> tuple[Path, dict[str, Path | None]]:
    """Register and further tables of a folder that photos were dropped into. Raises InputError."""
    register = next((p for s in ("csv", "xlsx") if (p := project / f"register.{s}").is_file()), None)
    if register is None:
        raise InputError(Fault(file=project, found="no register", wanted="a project in which something was measured"))
    files = {"columns": "columns.toml", **{name: f"{name}.csv" for name in ("picks", "controls", "manifest")}}
    return register, {name: p if (p := project / file).is_file() else None for name, file in files.items()}


def new_token() -> str:
    """Short enough to be typed on a phone; 74 bits, each guess of which costs a request."""
    letters = "abcdefghjkmnpqrstuvwxyz23456789"  # without those that are taken for others
    return "-".join("".join(secrets.choice(letters) for _ in range(5)) for _ in range(3))


def token_of(file: Path | None) -> str | None:
    """The token that a file holds, else the environment; None where there is none. Never of the command line, which
    every user of a machine can read. Raises InputError where it is too easily guessed.
    """
    where = TOKEN_VARIABLE if file is None else str(file)
    token = os.environ.get(TOKEN_VARIABLE) if file is None else file.read_text("utf-8", "replace")[:1000].strip()
    if not token and file is None:
        return None
    if not token or len(token) < 8 or not token.isascii() or not token.isprintable() or " " in token:
        found = "a token that is too easily guessed"
        raise InputError(Fault(file=where, found=found, wanted="8 or more letters and digits"))
    return token


def _serve(
    results: Path, host: str, port: int | None, token: str | None, no_browser: bool, scenery: Mapping[str, Path]
) -> None:
    from photoaz.desk.app import make_app
    from photoaz.desk.serve import serve
    from photoaz.desk.session import Desk
    from photoaz.present.folder import StorePlace, open_store

    results, scenery = results.resolve(), {role: path.resolve() for role, path in scenery.items()}
    store = open_store(results)
    run = store.last_run()
    home = None if run is None else run[1].get("folder")
    if home is not None and Path(home).is_dir():
        os.chdir(home)  # where the audit was made: photos and tables are named as from there
    opened = Desk(store, StorePlace.of(results).address, given_by(store, results, scenery), results)

    def app_at(_base: str, names: Collection[str] | None) -> Any:
        return make_app(opened, names=names, token=token)

    def ready(url: str) -> None:
        _ready(url, "nothing that was done is lost")
        if not no_browser and token is None:  # a browser's command line shows to every user of the machine
            webbrowser.open(url)

    with contextlib.suppress(KeyboardInterrupt):  # the usual way to end it
        serve(app_at, host=host, port=port, usual_port=PORT, token=token, ready=ready)


def _serve_drop(
    out: Path | None,
    register: Path | None,
    columns: Path | None,
    scenery: Mapping[str, Path],
    host: str,
    port: int | None,
    token: str,
    no_browser: bool,
) -> None:
    """The page on which photos are dropped; what was dropped stays where it is said to lie."""
    from photoaz.desk.drop import make_drop_app
    from photoaz.desk.guard import is_loopback
    from photoaz.desk.project import Project
    from photoaz.desk.serve import serve
    from photoaz.surroundings.reading import scenery_of

    seen = scenery_of(scenery.get("surroundings"), scenery.get("terrain")) if scenery else None
    folder = Path(tempfile.mkdtemp(prefix="photoaz-")) if out is None else out.resolve()
    project = Project(folder, seen)
    if register is not None:
        project.copy_register(register, columns)
    # a browser's command line shows to every user of the machine: what stands there counts once
    ticket = secrets.token_urlsafe(24)
    reached: list[str] = []

    def app_at(base: str, names: Collection[str] | None) -> Any:
        reached.append(base)
        address = None if is_loopback(host) else f"{base}?token={token}"
        return make_drop_app(project, token=token, names=names, ticket=ticket, address=address)

    def ready(url: str) -> None:
        _ready(url, f"what is dropped stays in {folder}")
        if not no_browser:
            webbrowser.open(f"{reached[0]}?ticket={ticket}")

    with contextlib.suppress(KeyboardInterrupt):
        serve(app_at, host=host, port=port, usual_port=PORT, token=token, ready=ready)
    if project.photos:
        say(f"photos and tables lie in {folder}; go on with: photoaz desk {folder}")
    elif out is None:
        shutil.rmtree(folder, ignore_errors=True)


def _ready(url: str, ended: str) -> None:
    click.echo(f"photoaz: the desk is at {url}", err=True)  # with its token: nobody could open it without
    say(f"Ctrl-C ends it; {ended}")


def given_by(store: Store, folder: Path, scenery: Mapping[str, Path] | None = None) -> Callable[[], Given]:
    """Reads again what the newest run of an audit was made from. scenery: another map and terrain in their place."""

    def read() -> Given:
        from photoaz.audit.inputs import audit_inputs, file_digest
        from photoaz.desk.session import Given
        from photoaz.estimate.inputs import FILES
        from photoaz.present.pictures import draw_site

        run = store.last_run()
        if run is None:
            raise InputError(Fault(file=folder, found="an audit that never ran", wanted="one that did"))
        about = run[1]
        files: dict[str, Any] = {}
        notes: list[str] = []
        for one in about.get("inputs", ()):
            if scenery and one["role"] in ("surroundings", "terrain"):
                continue
            path = _found(str(one["name"]), about, folder)
            files[one["role"]] = path
            if file_digest(path) != one.get("sha256"):
                notes.append(
                    f"{path.name} ({one['role']}) has changed since the audit: sites opened here are solved with it as"
                    " it is now. Run 'photoaz audit' again to have all of them so."
                )
        if scenery:
            files |= scenery
            named = " and ".join(path.name for path in scenery.values())
            notes.append(f"sites opened here are solved with {named}; give 'photoaz audit' the same to have all so.")
        if "register" not in files:
            raise InputError(Fault(file=folder, found="an audit that names no register", wanted="one made by photoaz"))
        parameters: Mapping[str, Any] = about.get("parameters", {})
        known = {k: parameters[k] for k in ("risk", "overlays", "sheets") if k in parameters}
        paths = about.get("paths", ())
        inputs, faults = audit_inputs(paths, draw_site, **{k: p for k, p in files.items() if k in FILES}, **known)
        if faults:
            more = f", and {len(faults) - 1} more" if len(faults) > 1 else ""
            notes.append(f"{len(faults)} rows or features cannot be used: {faults[0]}{more}")
        return Given(inputs=inputs, notes=tuple(notes))

    return read


def _found(name: str, about: Mapping[str, Any], folder: Path) -> Path:
    """A file that the audit was given, wherever the desk was started from."""
    places = [Path(str(about.get("folder", "."))) / name, Path(name), folder.parent / name]
    for path in places:
        if path.is_file():
            return path
    wanted = "the file that the audit was given; put it back, or run 'photoaz audit' with where it is now"
    raise InputError(Fault(file=name, found="nothing there", wanted=wanted))


def without_solving(
    photos: Path, register: Path, tables: Mapping[str, Path | None] | None = None, out: Path | None = None
) -> Path:
    """The beginnings of an audit: photos read and put to their sites. tables: beside the register, by option."""
    from photoaz.present.folder import NOTE, STORE, placed_into

    if (photos / STORE).is_file() or (photos / NOTE).is_file():
        wanted = f"no --register: photoaz desk {photos}"
        raise InputError(Fault(file=photos, found="results of an audit", wanted=wanted))
    results = out or photos.resolve().with_name(f"{photos.resolve().name}-audit")
    counts = placed_into(results, photos, {"register": register, **(tables or {})}, called_as(), say)
    say(f"{counts['placed']} of {counts['listed']} photos have a site; results go to {results}")
    if not counts["placed"]:
        wanted = "photos with positions near the register's sites, or in folders named after them"
        raise InputError(Fault(file=photos, found="no photo of any site", wanted=wanted))
    return results
