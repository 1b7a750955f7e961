"""`leaveby practise`: in a terminal, as JSON, as a page that ends as asked, and what it refuses."""

from __future__ import annotations

import importlib.util
import io
import json
import os
import re
import shutil
import signal
import subprocess
import sys
import urllib.request
from pathlib import Path

import pytest
from tornado.netutil import bind_sockets

from leaveby import lab
from leaveby.ask.household import demo_folder
from leaveby.caution import OVERRIDE
from leaveby.cli import BAD_INPUT, COMPUTED, main


@pytest.fixture
def plan(tmp_path: Path) -> Path:
    shutil.copytree(demo_folder(), tmp_path / "demo")
    return tmp_path / "demo" / "plan.toml"


def test_in_a_terminal_and_then_as_json(
    plan: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(sys, "stdin", io.StringIO("b\n1\n1\ne\n"))
    assert main(["practise", str(plan), "--way", "car", "--terminal"]) == COMPUTED
    told = capsys.readouterr()
    assert " ".join(told.err.split()) == OVERRIDE
    assert "ENDED 0:0" in told.out
    assert "minute in all; planned" in told.out or "minutes in all; planned" in told.out
    assert main(["practise", str(plan), "--way", "car", "--json"]) == COMPUTED
    said = json.loads(capsys.readouterr().out)
    assert said["override"] == OVERRIDE
    assert list(said["practice"]) == ["car"]
    assert len(said["practice"]["car"]["runs"][0]["tasks"]) == 1


def test_what_it_refuses(plan: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit):
        main(["practise", str(plan)])
    with pytest.raises(SystemExit):
        main(["practise", str(plan), "--way", "boat"])
    capsys.readouterr()
    assert main(["practise", str(plan.parent / "nowhere.toml"), "--way", "car", "--no-browser"]) == BAD_INPUT
    assert "there is no such file" in " ".join(capsys.readouterr().err.split())
    # of RFC 5737, which no machine has; a process of its own, since the server's library leaves the socket behind
    elsewhere = ["--home-network", "192.0.2.1", "--no-browser"]
    words = [sys.executable, "-m", "leaveby", "practise", str(plan), "--way", "car", *elsewhere]
    done = subprocess.run(words, capture_output=True, text=True, check=False)
    assert done.returncode == BAD_INPUT
    assert "192.0.2.1, port 8844, can't be served" in " ".join(done.stderr.split())
    found = importlib.util.find_spec
    monkeypatch.setattr(importlib.util, "find_spec", lambda name: None if name == "tornado" else found(name))
    assert main(["practise", str(plan), "--way", "car"]) == BAD_INPUT
    said = " ".join(capsys.readouterr().err.split())
    assert "--terminal does without" in said
    assert 'pip install "leaveby[lab]"' in said
    assert not (plan.parent / "practice.csv").exists()


def test_a_page_is_served_at_the_next_free_port_and_ends_as_asked(plan: Path) -> None:
    taken = bind_sockets(0, lab.LOOPBACK)
    port = taken[0].getsockname()[1]
    before = signal.signal(signal.SIGINT, signal.default_int_handler)
    try:
        process = subprocess.Popen(
            [
                sys.executable,
                "-m",
                "leaveby",
                "practise",
                str(plan),
                "--way",
                "tow",
                "--no-browser",
                "--port",
                str(port),
            ],
            stderr=subprocess.PIPE,
            stdout=subprocess.DEVNULL,
            text=True,
            env=dict(os.environ),
        )
    finally:
        signal.signal(signal.SIGINT, before)
    assert process.stderr is not None
    said = ""
    for line in process.stderr:
        said += line
        if "Ctrl and C" in said:
            break
    found = re.search(r"http://127\.0\.0\.1:(\d+)/\?token=[a-z2-9]{14}", said)
    assert found is not None, said
    assert int(found[1]) > port
    with urllib.request.urlopen(found[0]) as answer:
        assert OVERRIDE in answer.read().decode("utf-8")
    process.send_signal(signal.SIGINT)
    _, rest = process.communicate(timeout=600)
    assert process.returncode == COMPUTED, rest
    assert "Traceback" not in rest
    assert " ".join(said.split()).startswith(OVERRIDE)
    for one in taken:
        one.close()
