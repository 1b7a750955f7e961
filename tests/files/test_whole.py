"""An answer appears at once: whoever looks, whenever a run is killed, finds the earlier answer or the new one, whole.

Nothing outside says so: these are properties of our own, held against random kills, every single step of the way, and
disks that are full at any byte.
"""

from __future__ import annotations

import os
import random
import resource
import signal
import subprocess
import sys
import textwrap
import time
from pathlib import Path

import pytest

from leaveby import cli
from leaveby.errors import NotWrittenError, refuse
from leaveby.files.write import outputs, whole
from leaveby.files.write.outputs import write_result
from leaveby.files.write.whole import NOTE, clean_up, try_folder, write_whole

NAMES = [f"file{number}.txt" for number in range(9)]
THEIRS = {"letter.txt": "mine", "photos/roof.jpg": "my roof", "photos/old/shed.jpg": "my shed"}

WRITER = textwrap.dedent(
    """
    import os, signal, sys
    from pathlib import Path
    from leaveby.files.write import whole

    out, step, how = Path(sys.argv[1]), int(sys.argv[2]), sys.argv[3]
    if how == "one by one":
        whole._exchange = lambda one, other: False
    done = 0

    def counted(real):
        def call(*given, **named):
            global done
            done += 1
            if done == step:
                os.kill(os.getpid(), signal.SIGKILL)
            came = real(*given, **named)
            return came
        return call

    if step:
        for name in ("rename", "replace", "link", "unlink", "mkdir", "rmdir", "open"):
            setattr(os, name, counted(getattr(os, name)))
        whole._exchange = counted(whole._exchange)
    names = [f"file{number}.txt" for number in range(9)]
    turn = 0
    print("ready", flush=True)
    while True:
        turn += 1
        letter = "AB"[turn % 2]
        files = {name: letter * 5000 for name in names[: 9 - turn % 2]}
        whole.write_whole(files, out, stale=[] if turn % 2 == 0 else names[8:])
        if step:
            break
    print("whole", done, flush=True)
    """
)


def state(out: Path) -> str:
    """The letter of the answer that is there; fails where it is a mix of two."""
    found = {path.name: path.read_text("utf-8") for path in out.glob("file*.txt")}
    letters = {text[:1] for text in found.values()}
    assert len(letters) == 1, sorted((name, text[:1]) for name, text in found.items())
    (letter,) = letters
    assert all(text == letter * 5000 for text in found.values())
    assert set(found) == set(NAMES[: 8 if letter == "B" else 9])
    return letter


def theirs_are_there(out: Path) -> None:
    assert {name: (out / name).read_text("utf-8") for name in THEIRS} == THEIRS


@pytest.fixture
def out(tmp_path: Path) -> Path:
    """A folder with an answer, and with other files of whoever owns it."""
    made = tmp_path / "out"
    write_whole(dict.fromkeys(NAMES, "A" * 5000), made)
    for name, text in THEIRS.items():
        (made / name).parent.mkdir(parents=True, exist_ok=True)
        (made / name).write_text(text, "utf-8")
    return made


def writer(out: Path, step: int = 0, how: str = "at once") -> subprocess.Popen[str]:
    command = [sys.executable, "-c", WRITER, str(out), str(step), how]
    return subprocess.Popen(command, stdout=subprocess.PIPE, text=True, cwd="/")


def test_killed_at_41_random_moments_one_whole_answer_is_there(out: Path) -> None:
    """As a reader sees it, before anything puts right what the kill left."""
    draws, seen = random.Random(7), set()
    for _ in range(int(os.environ.get("LEAVEBY_KILLS", "41"))):
        held = writer(out)
        assert held.stdout is not None
        assert held.stdout.readline() == "ready\n"
        time.sleep(draws.uniform(0.0, 0.05))
        held.send_signal(signal.SIGKILL)
        held.wait()
        held.stdout.close()
        seen.add(state(out))
        theirs_are_there(out)
    assert seen == {"A", "B"}
    write_whole(dict.fromkeys(NAMES, "A" * 5000), out)
    assert {path.name for path in out.parent.iterdir()} == {"out"}
    assert {path.name for path in out.iterdir()} == {*NAMES, "letter.txt", "photos"}


@pytest.mark.parametrize("how", ["at once", "one by one"])
def test_killed_at_each_step(out: Path, how: str) -> None:
    """Moved one by one, a note stands beside a mix, and the next run brings it to its end."""
    steps, seen = 0, set()
    while True:
        steps += 1
        held = writer(out, steps, how)
        said = held.communicate()[0]
        theirs_are_there(out)
        if how == "at once" or not (out / NOTE).exists():
            seen.add(state(out))
        clean_up(out)
        seen.add(state(out))
        assert {path.name for path in out.parent.iterdir()} == {"out"}, steps
        assert not (out / NOTE).exists()
        if "whole" in said:
            break
        write_whole(dict.fromkeys(NAMES, "A" * 5000), out)
    assert steps > 10
    assert seen == {"A", "B"}
    theirs_are_there(out)


def test_a_reader_never_sees_a_mix(out: Path) -> None:
    held, looks, seen = writer(out), 0, set()
    assert held.stdout is not None
    assert held.stdout.readline() == "ready\n"
    try:
        while looks < 5000 or len(seen) < 2:
            assert held.poll() is None
            looks += 1
            # of one folder, whatever changes places with it meanwhile
            at = os.open(out, os.O_RDONLY)
            try:
                names = sorted(one.name for one in os.scandir(at) if one.name.startswith("file"))
                letters = set()
                for name in names:
                    file = os.open(name, os.O_RDONLY, dir_fd=at)
                    letters.add(os.read(file, 1))
                    os.close(file)
            except FileNotFoundError:
                continue  # that one is being taken away
            finally:
                os.close(at)
            assert len(letters) <= 1  # none of one that has been taken away since
            seen |= letters
    finally:
        held.kill()
        held.communicate()
    assert seen == {b"A", b"B"}


def test_what_comes_into_the_folder_meanwhile_stays(out: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    real = whole._exchange

    def late(one: Path, other: Path) -> bool:
        (out / "late.txt").write_text("late", "utf-8")
        saved = out / "letter.new"
        saved.write_text("mine, once more", "utf-8")
        saved.replace(out / "letter.txt")
        (out / "photos" / "new.jpg").write_text("new", "utf-8")
        return real(one, other)

    monkeypatch.setattr(whole, "_exchange", late)
    write_whole(dict.fromkeys(NAMES, "B" * 5000), out)
    assert (out / "late.txt").read_text("utf-8") == "late"
    assert (out / "letter.txt").read_text("utf-8") == "mine, once more"
    assert (out / "photos" / "new.jpg").read_text("utf-8") == "new"
    assert {path.name for path in out.parent.iterdir()} == {"out"}


@pytest.mark.parametrize("at_once", [True, False])
def test_links_rights_and_folders_of_others_stay(out: Path, at_once: bool, monkeypatch: pytest.MonkeyPatch) -> None:
    if not at_once:
        monkeypatch.setattr(whole, "_exchange", lambda *_: False)
    (out / "link").symlink_to("letter.txt")
    (out / "away").symlink_to(out.parent, target_is_directory=True)
    (out / "empty").mkdir()
    out.chmod(0o2750)
    write_whole({"file0.txt": "B"}, out, stale=NAMES[1:])
    assert (out / "link").readlink() == Path("letter.txt")
    assert (out / "away").is_symlink()
    assert (out / "empty").is_dir()
    assert out.stat().st_mode & 0o7777 == 0o2750
    theirs_are_there(out)
    assert {path.name for path in out.glob("file*")} == {"file0.txt"}


def test_who_stands_in_the_folder_stays_in_it(out: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(out)
    write_whole(dict.fromkeys(NAMES[:8], "B" * 5000), Path(), stale=NAMES[8:])
    assert state(Path.cwd()) == "B"
    assert {path.name for path in out.iterdir()} == {*NAMES[:8], "letter.txt", "photos"}


def test_a_file_that_fails_halfway_takes_all_back(out: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(whole, "_exchange", lambda *_: False)
    real, met = Path.replace, []

    def failing(self: Path, target: Path) -> Path:
        met.append(target)
        if len(met) == 5:
            raise OSError(28, "No space left on device")
        return real(self, target)

    monkeypatch.setattr(Path, "replace", failing)
    with pytest.raises(NotWrittenError, match="No space left"):
        write_whole(dict.fromkeys(NAMES, "B" * 5000), out)
    assert state(out) == "A"
    theirs_are_there(out)
    assert {path.name for path in out.iterdir()} == {*NAMES, "letter.txt", "photos"}


@pytest.mark.parametrize("line", ["{}['gone']", "None.gone", "float('many')"])
def test_a_slip_of_ours_is_no_fault_of_the_disk(line: str, out: Path, tmp_path: Path) -> None:
    for module, error in (("leaveby.show.scene", Exception), ("rasterio.io", NotWrittenError)):
        held: dict[str, object] = {"__name__": module}
        exec(f"def writes(path):\n    {line}", held)
        for folder in (out, tmp_path / "new" / "out"):
            with pytest.raises(error) as told:
                write_whole({"file0.txt": "B", "file1.txt": held["writes"]}, folder)  # type: ignore[dict-item]
            assert isinstance(told.value, NotWrittenError) == (module == "rasterio.io")
        assert state(out) == "A"
        assert {path.name for path in tmp_path.iterdir()} == {out.name}


def test_a_folder_in_the_way_is_not_taken_away(out: Path) -> None:
    with pytest.raises(NotWrittenError, match="is a folder, where a file of the answer is to be"):
        write_whole({"photos": "B", "file0.txt": "B"}, out)
    theirs_are_there(out)
    assert state(out) == "A"


def test_a_disk_that_is_full_at_any_size_leaves_the_earlier_answer(invented, tmp_path: Path) -> None:
    """The largest file that may be written, at ten sizes, stands for the room that is left."""
    result, folder = invented.invented_result(), tmp_path / "out"
    before = write_result(result, folder, made_at=invented.MADE_AT)
    held = {name: path.read_bytes() for name, path in before.items()}
    largest = max(map(len, held.values()))
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    for tenth in range(10):
        resource.setrlimit(resource.RLIMIT_FSIZE, (largest * tenth // 10, hard))
        try:
            with pytest.raises(NotWrittenError) as told:
                write_result(result, folder, made_at=invented.MADE_AT)
        finally:
            resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))
        assert not told.value.written
        assert {path.name: path.read_bytes() for path in folder.iterdir()} == held, tenth
        assert {path.name for path in tmp_path.iterdir()} == {"out"}


def test_if_only_the_print_fails_the_rest_stays_and_that_is_said(
    invented, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def failing(*_: object, **__: object) -> None:
        raise refuse("--pdf", "chromium printed no PDF (crashed)", expected="a PDF", mend="print it by hand")

    monkeypatch.setattr(outputs, "print_page", failing)
    monkeypatch.setattr(outputs, "find_browser", lambda *_: Path("chromium"))
    out = tmp_path / "out"
    out.mkdir()
    (out / "plan.pdf").write_text("of an earlier answer", "utf-8")
    with pytest.raises(NotWrittenError) as told:
        write_result(invented.invented_result(), out, made_at=invented.MADE_AT, pdf=True)
    assert "result.json" in told.value.written
    assert "plan.pdf" not in told.value.written
    assert {path.name for path in out.iterdir()} == {*told.value.written}
    from rich.console import Console

    cli._say_faults(told.value, Console(stderr=True))
    said = " ".join(capsys.readouterr().err.split())
    assert "The answer was computed and written, without 1 of its files: - --pdf: chromium printed no PDF" in said
    assert "Nothing was computed" not in said


@pytest.mark.parametrize("what", ["a file", "below a file", "an impossible name"])
def test_a_folder_that_can_not_be_written_is_refused_before_anything_is_computed(
    what: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "file").write_text("mine", "utf-8")
    out = {"a file": "file", "below a file": "file/out", "an impossible name": "n" * 300}[what]
    assert cli.main(["demo", "--out", str(tmp_path / out)]) == 2
    said = capsys.readouterr()
    assert "Working out" not in said.err
    assert "Nothing was computed" in said.err
    assert {path.name for path in tmp_path.iterdir()} == {"file"}


def test_trying_a_folder_leaves_no_trace(tmp_path: Path) -> None:
    try_folder(tmp_path / "a" / "b" / "c")
    assert not list(tmp_path.iterdir())


def test_work_folders_of_living_runs_stay(out: Path) -> None:
    held = writer(out)
    assert held.stdout is not None
    held.stdout.readline()
    held.send_signal(signal.SIGSTOP)
    try:
        before = {path.name for path in out.parent.iterdir()}
        clean_up(out)
        assert {path.name for path in out.parent.iterdir()} == before
    finally:
        held.kill()
        held.communicate()
    clean_up(out)
    assert {path.name for path in out.parent.iterdir()} == {"out"}
