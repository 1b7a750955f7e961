"""The one door to the internet: a file or parts of one, by a bounded number of tries, whole or not at all."""

from __future__ import annotations

import json
import time
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import IO, Any, Final

import requests
import urllib3
from requests.adapters import HTTPAdapter

from leaveby.download.sources import Source
from leaveby.errors import InputError, refused

BLOCK: Final = 1 << 20
"""Parts of a file are asked for in blocks of so many bytes, each kept once it is whole."""

MOST_BYTES: Final = 1 << 30
"""No answer larger than this is taken."""

BUSY: Final = (429, 500, 502, 503, 504)
_LONGEST_WAIT_S: Final = 120.0
_LONGEST_ANSWER_S: Final = 1_800.0


def not_fetched(source: Source, told: str, /, **values: object) -> InputError:
    """Make the fault of a source, in the words of `faults.toml`, with what to get by hand instead."""
    return refused(source.file, told, by_hand=source.by_hand, **values)


class _Retry(urllib3.Retry):
    """Wait as long as a busy server asks for, but no longer than that."""

    def get_retry_after(self, response: Any) -> float | None:
        wait_s = super().get_retry_after(response)
        return None if wait_s is None else min(wait_s, _LONGEST_WAIT_S)


@dataclass(frozen=True)
class Connection:
    """A session and its time-outs, as `connection` makes it."""

    session: requests.Session
    timeout_s: tuple[float, float]


def connection(*, connect_s: float = 10.0, read_s: float = 200.0, tries: int = 4, wait_s: float = 2.0) -> Connection:
    """Make a connection that asks busy and silent servers so many times, after `wait_s` and twice as long each time."""
    again = _Retry(tries - 1, backoff_factor=wait_s, status_forcelist=BUSY, allowed_methods=None, raise_on_status=False)
    session = requests.Session()
    for scheme in ("https://", "http://"):
        session.mount(scheme, HTTPAdapter(max_retries=again))
    return Connection(session, (connect_s, read_s))


def ask(
    address: str,
    into: IO[bytes],
    *,
    source: Source,
    door: Connection,
    first: int | None = None,
    form: Mapping[str, str] | None = None,
) -> Mapping[str, str] | None:
    """Write an answer to a file and give its headers; None where there is no such file (404).

    `first` is the first byte of the block that is wanted, all of the file where it is left out; `form` is posted.
    Raises InputError for an answer that can't be used.
    """
    headers = {"User-Agent": "leaveby (planning before the fire season)"}
    if first is not None:  # not packed, so that bytes are counted as the file has them
        headers |= {"Range": f"bytes={first}-{first + BLOCK - 1}", "Accept-Encoding": "identity"}
    try:
        # nowhere else than was said: no redirections
        with door.session.request(
            "POST" if form else "GET",
            address,
            headers=headers,
            stream=True,
            allow_redirects=False,
            timeout=door.timeout_s,
            data=form,
        ) as answer:
            if answer.status_code == 404:
                return None
            if answer.status_code in BUSY:
                raise not_fetched(source, "fetch_busy", address=address, status=answer.status_code)
            page = "html" in answer.headers.get("Content-Type", "")
            if page or answer.status_code != (200 if first is None else 206):
                kind = "a page" if page else "no part of a file" if first is not None else "no data"
                raise not_fetched(source, "fetch_refused", address=address, status=answer.status_code, kind=kind)
            return _poured(answer, into, source=source)
    except requests.RequestException as error:
        name = type(error).__name__
        if into.tell() > 0 or isinstance(error, requests.exceptions.ChunkedEncodingError):
            raise not_fetched(source, "fetch_cut_off", address=address, error=name) from error
        raise not_fetched(source, "fetch_no_connection", address=address, error=name) from error


def _poured(answer: requests.Response, into: IO[bytes], *, source: Source) -> Mapping[str, str]:
    """Write an answer out, no more and no less than it says."""
    length, ends = answer.headers.get("Content-Length", ""), time.monotonic() + _LONGEST_ANSWER_S
    stated = int(length) if length.isdecimal() else 0
    for piece in answer.iter_content(1 << 16):
        into.write(piece)
        if max(stated, into.tell()) > MOST_BYTES:
            size_mb = max(stated, into.tell()) / 1e6
            raise not_fetched(source, "fetch_too_large", address=answer.url, size_mb=size_mb, most_mb=MOST_BYTES / 1e6)
        if time.monotonic() > ends:
            raise requests.Timeout
    if "Content-Encoding" not in answer.headers and 0 < into.tell() < stated:
        raise requests.exceptions.ChunkedEncodingError
    return answer.headers


def ask_for_parts(
    address: str, file: Path, *, source: Source, door: Connection, spans: Iterable[tuple[int, int]]
) -> bool:
    """Fetch the blocks of a file that hold these spans (first byte, length); False where there is no such file.

    The file gets its full length, with holes. Beside it lies a list of the blocks that it holds, from which a later
    call goes on; a file that has changed on the server meanwhile is begun anew.
    """
    beside, piece = (file.with_name(f"{file.name}.{ending}") for ending in ("json", "block"))
    held: dict[str, Any] = json.loads(beside.read_text(encoding="utf-8")) if beside.is_file() else {"blocks": []}
    wanted = {block for first, size in spans for block in range(first // BLOCK, (first + size - 1) // BLOCK + 1)}
    for block in sorted(wanted - set(held["blocks"])):
        start = block * BLOCK
        with piece.open("w+b") as into:
            headers = ask(address, into, source=source, door=door, first=start)
        if headers is None:
            return False
        content = piece.read_bytes()
        span, _, size = headers.get("Content-Range", "").partition("/")
        if not size.isdecimal() or span != f"bytes {start}-{start + len(content) - 1}":
            raise not_fetched(source, "fetch_refused", address=address, status=206, kind="another part of the file")
        version = {"size": size, "tag": headers.get("ETag", "")}
        if held["blocks"] and version != held["version"]:
            forget(file)
            raise not_fetched(
                source, "fetch_wrong_file", address=address, error="the file there has changed", expected="one file"
            )
        with file.open("r+b" if file.is_file() else "w+b") as out:
            out.truncate(int(size))
            out.seek(start)
            out.write(content)
        held = {"version": version, "blocks": [*held["blocks"], block]}
        piece.write_text(json.dumps(held), encoding="utf-8")
        piece.replace(beside)
    return True


def forget(file: Path) -> None:
    """Remove a file that was fetched in parts, and the list beside it."""
    for one in (file, file.with_name(f"{file.name}.json")):
        one.unlink(missing_ok=True)
