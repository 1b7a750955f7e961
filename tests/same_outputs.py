"""Compares what two commits answer, byte for byte: `python tests/same_outputs.py BEFORE [AFTER]`.

For moves of code that should change nothing that people see. Both commits are checked out side by side, answer the
demo's plan, the plan with two fronts and the Andorra plan (with few members), the demo's drill and Andorra's streets,
all at one frozen moment; every file they write must be the same. AFTER left out means the work tree as it is.
"""

from __future__ import annotations

import argparse
import filecmp
import os
import re
import subprocess
import sys
import tempfile
from pathlib import Path
from typing import Final

ROOT: Final = Path(__file__).resolve().parents[1]
MEMBERS: Final = 40
PLANS: Final = ("data_demo/plan.toml", "data_demo/plan_two_fronts.toml", "tests/data/andorra_plan.toml")
FROZEN: Final = """
import datetime, sys
import leaveby.cli
class Frozen(datetime.datetime):
    @classmethod
    def now(cls, tz=None):
        return cls(2026, 1, 2, 3, 4, 5, tzinfo=tz or datetime.timezone.utc)
leaveby.cli.datetime = Frozen  # the only clock that an answer reads
sys.exit(leaveby.cli.main(sys.argv[1:]))
"""


def main() -> int:
    """Answer with both commits, name the files that differ, and give how many there are."""
    asked = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    asked.add_argument("before")
    asked.add_argument("after", nargs="?")
    wanted = asked.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        room = Path(folder)
        answers = [
            _answers(commit, room / name) for name, commit in (("before", wanted.before), ("after", wanted.after))
        ]
        names = sorted({path.relative_to(answer) for answer in answers for path in answer.rglob("*") if path.is_file()})
        different = [name for name in names if not _same(*(answer / name for answer in answers))]
    for name in different:
        sys.stdout.write(f"differs: {name}\n")
    sys.stdout.write(f"{len(names)} files compared, {len(different)} differ\n")
    return len(different)


def _same(one: Path, other: Path) -> bool:
    return one.is_file() and other.is_file() and filecmp.cmp(one, other, shallow=False)


def _answers(commit: str | None, folder: Path) -> Path:
    tree, out = ROOT, folder / "answers"
    if commit is not None:
        tree = folder / "tree"
        subprocess.run(["git", "-C", str(ROOT), "worktree", "add", "--detach", str(tree), commit], check=True)
    try:
        for plan in PLANS:
            asked = tree / plan
            few = asked.with_name(f"few_members_{asked.name}")
            few.write_text(re.sub(r"(?m)^members = \d+", f"members = {MEMBERS}", asked.read_text(encoding="utf-8")))
            try:
                _run(tree, "plan", str(few), "--out", str(out / asked.stem))
            finally:
                few.unlink()
        _run(tree, "drill", str(tree / "data_demo" / "drill.toml"), "--out", str(out / "drill"))
        _run(
            tree,
            "streets",
            str(tree / "tests/data/andorra_streets.osm.pbf"),
            "--region",
            "AD",
            "--out",
            str(out / "streets"),
        )
    finally:
        if commit is not None:
            subprocess.run(["git", "-C", str(ROOT), "worktree", "remove", "--force", str(tree)], check=True)
    return out


def _run(tree: Path, *words: str) -> None:
    where = {**os.environ, "PYTHONPATH": str(tree / "toolkit"), "OGR_CURRENT_DATE": "2026-01-02T03:04:05.000Z"}
    done = subprocess.run([sys.executable, "-c", FROZEN, *words], cwd=tree, env=where, stdout=subprocess.DEVNULL)
    if done.returncode not in (0, 3):
        raise SystemExit(f"leaveby {' '.join(words)} ended with {done.returncode}")


if __name__ == "__main__":
    sys.exit(main())
