"""The one guard before every reader: a regular file of this machine, of a bearable size, read without the network.

`regular` looks at a file before anything opens it, `text_of` reads one that is text, and inside `guarded` whatever a
library throws at a damaged file becomes a fault with its place and its mend.
"""

from __future__ import annotations

import csv
import json
import os
import re
import stat
import warnings
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Final

from leaveby.errors import Faults, InputError, is_ours, refuse, refused

MOST_PLAN_BYTES: Final = 4_000_000
MOST_TABLE_BYTES: Final = 64_000_000
MOST_HOMES_BYTES: Final = 512_000_000

OFFLINE: Final = {
    # no such kind of proxy: whatever a file names, the library gives up before it opens a connection
    "GDAL_HTTP_PROXY": "none://off",
    "GDAL_HTTPS_PROXY": "none://off",
    "CPL_VSIL_CURL_ALLOWED_EXTENSIONS": ".none",
}
_VECTOR_STARTS: Final = (b"SQLite format 3\0", b"\x00\x00\x27\x0a", b"{", b"[")
"""How GeoPackages, shapefiles and GeoJSON begin; nothing else reaches the vector library."""

_LINKED: Final = re.compile(rb'"link"|\\u00[4-7]')
"""What such a file holds somewhere, or hides by writing plain letters as codes."""

_BLANK: Final = b" \t\r\n\xef\xbb\xbf"


def wrong_with(path: Path) -> str:
    """Say why a path is no file that can be read; "" where it is one. Nothing is opened, so that no pipe is waited for.

    Examples
    --------
    >>> wrong_with(Path("no_such_file.osm")), wrong_with(Path("/"))
    ('there is no such file', 'is a folder')
    """
    try:
        mode = path.stat().st_mode
    except FileNotFoundError:
        return "there is no such file"
    except NotADirectoryError:
        return "there is no such file, for it would lie below a file"
    except PermissionError:
        return "may not be read"
    except (OSError, ValueError) as error:
        return "there is no such file, for no file can have this name" + (
            f" ({error.strerror})" if isinstance(error, OSError) and error.strerror else ""
        )
    if stat.S_ISDIR(mode):
        return "is a folder"
    if not stat.S_ISREG(mode):
        return "is a device, a pipe or a socket and no file"
    return "" if os.access(path, os.R_OK) else "may not be read"


def named_in(folder: Path, name: str) -> tuple[Path, str]:
    """Find the file that a file in a folder names, and what is wrong with it in words; "" where nothing is."""
    try:
        found = folder / Path(name).expanduser()
    except RuntimeError:  # of somebody (~name) who is not known here
        found = folder / name
    wrong = wrong_with(found)
    found = found if "\0" in name else found.resolve()
    return found, wrong and (f"and there is no file {found}" if wrong.startswith("there") else f"which {wrong}")


def regular(path: str | Path, *, expected: str, mend: str, place: str = "", most_bytes: int | None = None) -> Path:
    """Give the path of a regular file of at most some bytes; InputError for anything else."""
    file = Path(path)
    if wrong := wrong_with(file):
        named = wrong if not place else f"{wrong}: {file}" if wrong.startswith("there") else f"{file} {wrong}"
        raise refuse(place or str(file), named, expected=expected, mend=mend)
    if most_bytes is not None and (size := file.stat().st_size) > most_bytes:
        raise refused(place or str(file), "file_too_large", size=size / 1e6, most=most_bytes / 1e6)
    return file


@contextmanager
def guarded(file: Path, *, place: str = "", told: str = "broken_file") -> Iterator[None]:
    """Turn what a library throws at a damaged file into a fault in the words `told`; our own slips pass.

    What it warns of in such a file says nothing to people who mend it.
    """
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        try:
            yield
        except InputError:
            raise
        except Exception as error:  # libraries throw whatever comes at what they did not foresee
            if is_ours(error):
                raise
            said = " ".join(str(error.__cause__ or error).split())[:200] or type(error).__name__
            line = re.search(r"line (\d+)", said)
            if "entit" in said.lower():
                raise refused(file, "xml_entities") from error
            raise refused((place or str(file)) + (f" line {line[1]}" if line else ""), told, said=said) from error


@contextmanager
def guarded_layer(file: Path, *, place: str = "") -> Iterator[None]:
    """Guard the reading of a GeoPackage, shapefile or GeoJSON, told by how it begins; InputError for anything else.

    The vector library knows a hundred forms, among them those that only name other files or servers.
    """
    import pyogrio  # only here, with the geopandas that it brings: a plan is read without

    regular(file, expected="a GeoPackage, shapefile or GeoJSON", mend="correct the path", place=place)
    with file.open("rb") as begun:
        start = begun.read(65_536).lstrip(_BLANK)
    if not start.startswith(_VECTOR_STARTS):
        raise refused(place or file, "no_vector_file")
    before = {name: pyogrio.get_gdal_config_option(name) for name in OFFLINE}
    pyogrio.set_gdal_config_options(OFFLINE)
    try:
        with guarded(file, place=place, told="broken_layer"):
            if start[:1] in (b"{", b"[") and _has_linked_crs(file):
                raise refused(place or file, "no_vector_file")
            yield
    finally:
        pyogrio.set_gdal_config_options(before)


def _has_linked_crs(file: Path) -> bool:
    """Whether a GeoJSON file says that its reference system lies at an address, as its first form allowed."""
    raw = raw_of(file, expected="a GeoJSON file", most_bytes=None)
    if not _LINKED.search(raw):
        return False
    held = json.loads(raw)
    crs = held.get("crs") if isinstance(held, dict) else None
    return isinstance(crs, dict) and crs.get("type") not in (None, "name", "EPSG")


def raw_of(path: Path, *, expected: str, place: str = "", most_bytes: int | None = MOST_TABLE_BYTES) -> bytes:
    """Read a regular file of at most some bytes; InputError for anything else, and where the disk fails."""
    regular(path, expected=expected, mend="correct the name", place=place, most_bytes=most_bytes)
    try:
        return path.read_bytes()
    except OSError as error:
        raise refused(place or path, "disk_fails", said=error.strerror) from error


def text_of(path: Path, *, place: str, told: str = "csv_not_utf8", most_bytes: int = MOST_TABLE_BYTES) -> str:
    """Read a text in UTF-8; InputError, in the words `told`, for what is in other letters or no text."""
    raw = raw_of(path, expected="a text file", place=place, most_bytes=most_bytes)
    try:
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = raw.count(b"\n", 0, error.start) + 1
        raise refused(f"{place} line {line}", told) from error
    if "\0" in text:
        raise refused(place, told)
    return text


def rows_of(lines: Sequence[tuple[int, str]], *, where: str, mark: str = ",") -> list[list[str]]:
    """Cut numbered lines of a table into cells; InputError with each line whose quotes stay open or that is too long.

    Examples
    --------
    >>> rows_of([(1, "value,fuel_type"), (2, '1,"dry, open"')], where="legend.csv")
    [['value', 'fuel_type'], ['1', 'dry, open']]
    """
    rows, faults = [], Faults()
    for number, line in lines:
        try:
            rows.append(next(csv.reader([line], delimiter=mark, skipinitialspace=True, strict=True), []))
        except csv.Error as error:
            faults.tell(f"{where} row {number}", "row_unreadable", error=error)
    faults.refuse(most=20)
    return rows
