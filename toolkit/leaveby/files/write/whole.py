"""An answer appears at once: its files are made in a folder of their own, which then trades places with the chosen one.

That is one exchange of two folders, as Linux and macOS have it, or one renaming where nothing was there: whoever looks,
whenever a run is killed, finds the whole earlier answer or the whole new one. What else lies in the chosen folder comes
along under a second name of the same file. Where folders can't be exchanged (other systems, a folder that is mounted,
that this program stands in, or that holds very much else) files are moved one by one instead, with a note beside them
for as long, and what a killed run left is brought to its end by the next one.
"""

from __future__ import annotations

import contextlib
import ctypes
import json
import os
import platform
import re
import secrets
import shutil
import sys
import tempfile
import time
import zlib
from collections.abc import Callable, Collection, Iterator, Mapping
from pathlib import Path
from typing import Final

from leaveby.errors import Fault, InputError, NotWrittenError, fault_of, is_ours, refused

Made = str | bytes | Callable[[Path], object]
"""What becomes a file: its text (in UTF-8), its bytes, or what writes it when given a path."""

NOTE: Final = "ANSWER_IS_BEING_REPLACED.txt"
_NOTE_WORDS: Final = (
    "The files of an answer in this folder are being replaced one by one. If this note stays, that was stopped "
    "halfway: do not use the answer, and run leaveby once more with this folder as --out.\n"
)
_HOST: Final = f"{zlib.crc32(platform.node().encode('utf-8', 'replace')):08x}"
_RUN: Final = secrets.token_hex(4)
_PREFIX: Final = ".leaveby-"
_NAMED: Final = re.compile(rf"{re.escape(_PREFIX)}([0-9a-f]{{8}})-(\d+)-([0-9a-f]{{8}})-.+")
_LONGEST_S: Final = 86_400.0
_MOST_OTHERS: Final = 2_000
_AT_CWD: Final = -100
_EXCHANGE: Final = 2


def try_folder(out_dir: Path, names: Collection[str] = ()) -> None:
    """Refuse a folder that can't be written, before anybody waits for what is to be written there; leave no trace.

    `names` are of the files to come: a folder of such a name is in the way (InputError).
    """
    for name in names:
        if (out_dir / name).is_dir():
            raise refused(out_dir / name, "folder_in_the_way")
    made = _first_missing(out_dir)
    try:
        out_dir.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryFile(dir=out_dir) as tried:
            tried.write(bytes(4096))
            tried.flush()
    except (OSError, ValueError) as error:
        raise refused(out_dir, "folder_not_writable", error=getattr(error, "strerror", None) or error) from error
    finally:
        _take_back(out_dir, made)


def write_whole(
    files: Mapping[str, Made], out_dir: Path, *, stale: Collection[str] = (), spare: Collection[str] = ()
) -> dict[str, Path]:
    """Write files into a folder, all or none.

    `stale` are files of an earlier answer that would be read as belonging to this one: they go with it. `spare` are of
    the files those without which the others are still an answer: where only they fail, the others are there, an earlier
    one of that name is taken away, and `NotWrittenError` says what is missing. So it does where nothing could be
    written, and then the folder is as it was.

    >>> with tempfile.TemporaryDirectory() as folder:
    ...     sorted(write_whole({"a.txt": "a"}, Path(folder, "new")))
    ['a.txt']
    """
    made, faults = _first_missing(out_dir), list[Fault]()
    try:
        out_dir.parent.mkdir(parents=True, exist_ok=True)
        out = out_dir.resolve()
        clean_up(out)
        try_folder(out, files)
        with _workshop(out) as workshop:
            new = workshop / "answer"
            new.mkdir()
            for name, content in files.items():
                try:
                    _make(new / name, content)
                except InputError as error:
                    (new / name).unlink(missing_ok=True)
                    if name not in spare:
                        raise
                    faults += error.faults
            kept = [name for name in files if (new / name).exists()]
            for one in _others(new, kept):  # of what printed it
                shutil.rmtree(one, ignore_errors=True)
            gone = sorted({*stale, *files} - {*kept})
            (workshop / "list.json").write_text(json.dumps({"of": out.name, "files": kept, "stale": gone}), "utf-8")
            _put(workshop, out, kept, stale=gone)
    except Exception as error:  # the libraries that write layers and rasters have each errors of their own
        _take_back(out_dir, made)
        if is_ours(error, ValueError):
            raise
        if isinstance(error, InputError):
            raise NotWrittenError(error.faults) from error
        told = getattr(error, "strerror", None) or " ".join(str(error).split())[:200] or type(error).__name__
        raise NotWrittenError([fault_of(out_dir, "outputs_not_written", error=told)]) from error
    written = {name: out_dir / name for name in kept}
    if faults:
        raise NotWrittenError(faults, written)
    return written


def _make(path: Path, content: Made) -> None:
    if callable(content):
        content(path)
    else:
        path.write_bytes(content.encode("utf-8") if isinstance(content, str) else content)
    with path.open("rb+") as done:
        os.fsync(done.fileno())


def _put(workshop: Path, out: Path, names: Collection[str], *, stale: Collection[str]) -> None:
    """Put the answer in place: at once where that can be."""
    new = workshop / "answer"
    if not out.exists():
        with contextlib.suppress(FileExistsError):
            new.rename(out)
            return
    if workshop.parent == out.parent:
        if _link_others(out, new, but={*names, *stale}):
            with contextlib.suppress(OSError):
                shutil.copystat(out, new)
            if _exchange(new, out):
                _bring_along(new, out, but={*names, *stale})
                return
        workshop = workshop.rename(out / workshop.name)
    _one_by_one(workshop, out, names, stale=stale)


def _exchange(one: Path, other: Path) -> bool:
    """Let two folders change places at once; whether that could be done."""
    try:
        library = ctypes.CDLL(None, use_errno=True)
        if sys.platform == "linux":
            done = library.renameat2(_AT_CWD, os.fsencode(one), _AT_CWD, os.fsencode(other), _EXCHANGE)
        elif sys.platform == "darwin":
            done = library.renamex_np(os.fsencode(one), os.fsencode(other), _EXCHANGE)
        else:
            return False
    except (AttributeError, OSError, TypeError):  # a system without it
        return False
    return bool(done == 0)


def _others(folder: Path, but: Collection[str]) -> Iterator[Path]:
    return (one for one in sorted(folder.iterdir()) if one.name not in but and not one.name.startswith(_PREFIX))


def _link_others(old: Path, new: Path, *, but: Collection[str]) -> bool:
    """Give everything else in a folder a second name in the new one; whether all of it could be."""
    count = 0
    try:
        for one in _others(old, but):
            if one.is_symlink() or not one.is_dir():
                os.link(one, new / one.name, follow_symlinks=False)
                count += 1
                continue
            for here, folders, inside in os.walk(one):
                there = new / Path(here).relative_to(old)
                there.mkdir()
                shutil.copystat(here, there)
                links = [name for name in folders if (Path(here) / name).is_symlink()]
                for name in (*inside, *links):
                    os.link(Path(here, name), there / name, follow_symlinks=False)
                count += len(inside) + len(folders) + 1
                if count > _MOST_OTHERS:
                    break
            if count > _MOST_OTHERS:
                break
    except (OSError, NotImplementedError):
        count = _MOST_OTHERS + 1
    if count > _MOST_OTHERS:
        for one in _others(new, but):  # second names only
            shutil.rmtree(one) if one.is_dir() and not one.is_symlink() else one.unlink()
    return count <= _MOST_OTHERS


def _bring_along(old: Path, out: Path, *, but: Collection[str] = ()) -> None:
    """Move what came into the old folder after everything in it had got its second name, or was changed since."""
    for one in _others(old, but):
        there = out / one.name
        if one.is_dir() and not one.is_symlink() and there.is_dir():
            _bring_along(one, there)
        elif not os.path.lexists(there) or (
            not one.is_dir()
            and not there.is_dir()
            and one.lstat().st_ino != there.lstat().st_ino
            and one.lstat().st_mtime_ns > there.lstat().st_mtime_ns
        ):
            one.replace(there)


def _one_by_one(workshop: Path, out: Path, names: Collection[str], *, stale: Collection[str]) -> None:
    """Move files to their names one after the other, and back again where one can't be moved."""
    before = workshop / "before"
    before.mkdir()
    had = [name for name in (*names, *stale) if os.path.lexists(out / name)]
    (workshop / "moving").write_text(json.dumps(had), encoding="utf-8")
    (out / NOTE).write_text(_NOTE_WORDS, encoding="utf-8")
    try:
        for name in had:
            try:
                os.link(out / name, before / name, follow_symlinks=False)
            except (OSError, NotImplementedError):
                shutil.copy2(out / name, before / name, follow_symlinks=False)
        for name in names:
            (workshop / "answer" / name).replace(out / name)
        for name in stale:
            (out / name).unlink(missing_ok=True)
    except OSError:
        (workshop / "back").touch()
        _end_moving(workshop, out, names, stale=stale)
        raise
    _end_moving(workshop, out, names, stale=stale)


def _end_moving(workshop: Path, out: Path, names: Collection[str], *, stale: Collection[str]) -> None:
    """Bring moving to its end, from wherever it was stopped: with all files of the new answer, or back with all."""
    if (workshop / "back").exists():
        had = json.loads((workshop / "moving").read_text(encoding="utf-8"))
        for name in (*names, *stale):
            if os.path.lexists(workshop / "before" / name):
                (workshop / "before" / name).replace(out / name)
            elif name not in had:
                (out / name).unlink(missing_ok=True)
    else:
        for name in names:
            if (workshop / "answer" / name).exists():
                (workshop / "answer" / name).replace(out / name)
        for name in stale:
            (out / name).unlink(missing_ok=True)
    (out / NOTE).unlink(missing_ok=True)
    (workshop / "moving").unlink(missing_ok=True)
    shutil.rmtree(workshop, ignore_errors=True)


@contextlib.contextmanager
def _workshop(out: Path) -> Iterator[Path]:
    """Give a folder to work in, beside the chosen one where the two can be exchanged, in it elsewhere."""
    prefix = f"{_PREFIX}{_HOST}-{os.getpid()}-{_RUN}-"
    beside = not out.exists() or not (out.is_mount() or _stands_in(out))
    try:
        workshop = Path(tempfile.mkdtemp(prefix=prefix, dir=out.parent if beside else out))
    except OSError:
        if not out.is_dir():
            raise
        workshop = Path(tempfile.mkdtemp(prefix=prefix, dir=out))
    try:
        yield workshop
    finally:
        if not (workshop / "moving").exists():  # else not even the way back was free: the next run finds it
            shutil.rmtree(workshop, ignore_errors=True)


def _stands_in(out: Path) -> bool:
    """Whether this program works in a folder: who started it there would be left in the old one."""
    try:
        return Path.cwd().is_relative_to(out)
    except OSError:
        return False


def clean_up(out: Path) -> None:
    """Bring to an end what killed runs left in a folder or beside it, and take their work folders away."""
    for folder in (out.parent, out):
        for found in sorted(folder.glob(f"{_PREFIX}*")) if folder.is_dir() else ():
            if not found.is_dir() or found.is_symlink() or not _is_dead(found):
                continue
            with contextlib.suppress(OSError, ValueError, KeyError):
                left = json.loads((found / "list.json").read_text(encoding="utf-8"))
                names, stale = [*map(str, left["files"])], [*map(str, left["stale"])]
                if folder == out and (found / "moving").exists():
                    _end_moving(found, out, names, stale=stale)
                elif (of := folder / str(left["of"])).is_dir() and of.parent == folder:
                    _bring_along(found / "answer", of, but={*names, *stale})
            shutil.rmtree(found, ignore_errors=True)


def _is_dead(workshop: Path) -> bool:
    """Whether the run that made a work folder is over: its process is gone or, of another machine, the folder old."""
    told = _NAMED.fullmatch(workshop.name)
    old = time.time() - workshop.stat().st_mtime > _LONGEST_S
    if told is None or told[1] != _HOST or sys.platform == "win32":
        return old
    if int(told[2]) == os.getpid():
        return told[3] != _RUN
    return old or is_over(int(told[2]))


def is_over(process: int) -> bool:
    """Whether no process of that number runs here any more; never on Windows, where nothing tells without harm."""
    if sys.platform == "win32":
        return False
    try:
        os.kill(process, 0)
    except (ProcessLookupError, OverflowError):
        return True
    except OSError:
        return False
    return False


def _first_missing(out_dir: Path) -> Path | None:
    """The outermost folder on the way that is not there yet."""
    whole = out_dir.absolute()
    try:
        return next((one for one in (*reversed(whole.parents), whole) if not one.exists()), None)
    except (OSError, ValueError):
        return None


def _take_back(out_dir: Path, made: Path | None) -> None:
    """Remove the folders that were made on the way, as far as nothing is in them."""
    if made is None:
        return
    for folder in (out_dir.absolute(), *out_dir.absolute().parents):
        if not folder.is_relative_to(made):
            return
        with contextlib.suppress(OSError):
            folder.rmdir()
