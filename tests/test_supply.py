"""What is installed beside leaveby: under which terms, whether it fits together, and the set that was tested."""

from __future__ import annotations

import re
import subprocess
import sys
import tomllib
from importlib import metadata
from pathlib import Path

from packaging.requirements import Requirement

ROOT = Path(__file__).resolve().parents[1]
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
TESTED = (ROOT / "tests" / "tested.txt").read_text(encoding="utf-8")

# Terms under which a program of any licence may use a library unchanged: common practice, no source.
FREE = re.compile(
    r"\b(MIT|BSD|Apache|ISC|PSF|Python Software Foundation|MPL|Mozilla|HPND|Zlib|0BSD|CC0|Unlicense|LGPL|Lesser)", re.I
)
STRICT = re.compile(r"(?<!L)(?<!Lesser )\bA?GPL|GNU (Affero )?General Public")
STATED_ELSEWHERE = {"axe-playwright-python"}
"""Says its terms in a file only: MIT."""


def plain(name: str) -> str:
    return re.sub(r"[-_.]+", "-", name).lower()


def needed(wanted: list[str]) -> set[str]:
    """Everything that is installed for some requirements, in this environment."""
    found: set[str] = set()
    ahead = [(Requirement(one), "") for one in wanted]
    while ahead:
        one, extra = ahead.pop()
        if plain(one.name) in found or (one.marker and not one.marker.evaluate({"extra": extra})):
            continue
        try:
            parts = metadata.requires(one.name) or []
        except metadata.PackageNotFoundError:
            continue  # pip check says what is missing
        found.add(plain(one.name))
        ahead += [(Requirement(part), of) for part in parts for of in ("", *one.extras)]
    return found


def terms(name: str) -> str:
    about = metadata.metadata(name)
    classified = [text for text in about.get_all("Classifier", []) if text.startswith("License ::")]
    return "; ".join([about.get("License-Expression") or "", *classified, (about.get("License") or "")[:200]])


def test_what_runs_with_leaveby_is_free_to_use() -> None:
    used = needed([*PROJECT["dependencies"], *PROJECT["optional-dependencies"]["lab"]])
    assert len(used) > 100
    for name in sorted(used):
        told = terms(name)
        assert FREE.search(told), (name, told)
        assert not STRICT.search(told) or re.search(r"\b(LGPL|Lesser|MPL|MIT|BSD)\b", told), (name, told)


def test_what_only_tests_says_its_terms() -> None:
    for name in sorted(needed(PROJECT["optional-dependencies"]["test"]) - STATED_ELSEWHERE):
        assert FREE.search(terms(name)) or STRICT.search(terms(name)), (name, terms(name))


def test_strict_terms_are_seen() -> None:
    """By hand."""
    for told in ("GPL-3.0-or-later", "AGPL-3.0", "GNU General Public License v2 or later (GPLv2+)"):
        assert STRICT.search(told), told
    for told in ("LGPL-2.1", "GNU Lesser General Public License", "MIT"):
        assert not STRICT.search(told), told


def test_what_is_installed_fits_together() -> None:
    done = subprocess.run([sys.executable, "-m", "pip", "check"], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout


def test_the_tested_set_holds_each_library_with_its_digest_and_within_our_bounds() -> None:
    lines = [line for line in TESTED.splitlines() if line and not line.startswith("#")]
    rows = [re.fullmatch(r"([a-z0-9-]+)==(\S+) --hash=sha256:([0-9a-f]{64})", line) for line in lines]
    assert all(rows), [line for line, row in zip(lines, rows, strict=True) if row is None]
    version = {row[1]: row[2] for row in rows if row is not None}
    assert len(version) == len(rows)
    extras = PROJECT["optional-dependencies"]
    for text in (*PROJECT["dependencies"], *extras["lab"], *extras["test"]):
        wanted = Requirement(text)
        assert wanted.specifier.contains(version[plain(wanted.name)]), text
    assert "://" not in TESTED


def test_the_readme_names_the_tested_set() -> None:
    assert "tests/tested.txt" in (ROOT / "README.md").read_text(encoding="utf-8")
