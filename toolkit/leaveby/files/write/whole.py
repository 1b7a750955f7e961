"""Writes an answer's files all or none: no half-written file is left, and an earlier answer stays until then."""

from __future__ import annotations

import contextlib
import shutil
import tempfile
from collections.abc import Callable, Collection, Mapping
from pathlib import Path

from pyogrio.errors import DataSourceError

from leaveby.errors import refuse

Made = str | bytes | Callable[[Path], object]
"""What becomes a file: its text (in UTF-8), its bytes, or what writes it when given a path."""


def write_whole(files: Mapping[str, Made], out_dir: Path, *, stale: Collection[str] = ()) -> dict[str, Path]:
    """Write files in a temporary folder inside the chosen one, and move them to their names once all are there.

    `stale` are files of an earlier answer that would be read as belonging to this one: they are removed at the end.

    Examples
    --------
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     sorted(write_whole({"a.txt": "a"}, Path(folder)))
    ['a.txt']
    """
    made_here = not out_dir.exists()
    try:
        out_dir.mkdir(parents=True, exist_ok=True)
        workshop = Path(tempfile.mkdtemp(prefix=".leaveby-", dir=out_dir))
    except OSError as error:
        raise refuse(
            str(out_dir),
            f"can't be written ({error.strerror or error})",
            expected="a folder that you may write to",
            mend="choose another folder with --out",
        ) from error
    written: dict[str, Path] = {}
    try:
        for name, made in files.items():
            if callable(made):
                made(workshop / name)
            else:
                (workshop / name).write_bytes(made.encode("utf-8") if isinstance(made, str) else made)
        for name in files:
            (workshop / name).replace(out_dir / name)
            written[name] = out_dir / name
        for name in stale:
            (out_dir / name).unlink(missing_ok=True)
    except (OSError, DataSourceError) as error:
        raise refuse(
            str(out_dir),
            f"can't be written ({getattr(error, 'strerror', None) or error})",
            expected="a folder with room that you may write to",
            mend="make room, close the files, or choose another folder with --out",
        ) from error
    finally:
        shutil.rmtree(workshop, ignore_errors=True)
        if made_here and not written:
            with contextlib.suppress(OSError):
                out_dir.rmdir()
    return written
