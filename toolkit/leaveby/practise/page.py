"""A practice run as a page with big buttons, for phone and laptop: served here, or in the house's own network if asked.

The page holds everything it needs and asks nobody else. Every press goes through `leaveby.practise.watch` and is on the
disk before it is answered; a press that was not answered is said on the page, and may be pressed again.
"""

from __future__ import annotations

import errno
import json
import re
import secrets
import webbrowser
from collections.abc import Callable
from datetime import datetime
from importlib.resources import files
from typing import Any, Final

from tornado.httpserver import HTTPServer
from tornado.ioloop import IOLoop
from tornado.web import Application, RequestHandler

from leaveby.errors import InputError, refused
from leaveby.lab import LOOPBACK, NO_BROWSER, digest_of, way_in
from leaveby.practise.watch import NOTES, Watch, press, state_of
from leaveby.show.templates import page_text

PORT: Final = 8844
PORTS: Final = 20
_LETTERS: Final = "abcdefghjkmnpqrstuvwxyz23456789"
_TOKEN_LETTERS: Final = 14
"""So many letters of 31 are 69 bits: short enough to be typed on a phone, too many to be guessed."""

_SCRIPT: Final = files("leaveby").joinpath("practise/page.js").read_text(encoding="utf-8")


def new_token() -> str:
    """Make the secret that the address holds, in letters that are not taken for each other."""
    return "".join(secrets.choice(_LETTERS) for _ in range(_TOKEN_LETTERS))


def page_of(watch: Watch, *, made_at: datetime) -> str:
    """Lay out the page; what stands in it is asked for by its script."""
    return page_text("practise/page.html.j2", made_at=made_at, script=_SCRIPT, plan=watch.plan.name, notes=NOTES)


def policy_of(page: str) -> str:
    """Allow a page the one script and the one style sheet that stand in it, letter for letter, and no others.

    >>> policy_of("<style>b {}</style><script>1</script>").count("sha256-")
    2
    """

    def own(tag: str) -> str:
        (held,) = re.findall(rf"<{tag}>(.*?)</{tag}>", page, re.DOTALL)
        return digest_of(held)

    return (
        f"default-src 'none'; script-src {own('script')}; style-src {own('style')}; font-src data:; img-src data:; "
        "connect-src 'self'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
    )


class _Guarded(RequestHandler):
    """Whatever is served: to whoever has the secret, and kept nowhere."""

    watch: Watch
    token: str

    def initialize(self, watch: Watch, token: str) -> None:
        self.watch, self.token = watch, token

    def set_default_headers(self) -> None:
        for name, value in (
            ("Content-Security-Policy", "default-src 'none'; frame-ancestors 'none'"),
            ("Cache-Control", "no-store"),
            ("Referrer-Policy", "no-referrer"),
            ("X-Content-Type-Options", "nosniff"),
        ):
            self.set_header(name, value)

    def has_secret(self, told: str) -> bool:
        """Whether the secret was told; an answer without is given otherwise."""
        if secrets.compare_digest(told.encode("utf-8"), self.token.encode("utf-8")):
            return True
        self.set_status(403)
        self.finish("Open the whole address, as the terminal shows it.")
        return False


class _Page(_Guarded):
    def get(self) -> None:
        if self.has_secret(self.get_argument("token", "")):
            page = page_of(self.watch, made_at=datetime.now().astimezone())
            self.set_header("Content-Security-Policy", policy_of(page))
            self.finish(page)


class _State(_Guarded):
    def get(self) -> None:
        if self.has_secret(self.request.headers.get("X-Token", "")):
            self.answer("")

    def post(self) -> None:
        if not self.has_secret(self.request.headers.get("X-Token", "")):
            return
        try:
            told = json.loads(self.request.body)
            names = {key: str(told.get(key, "")) for key in ("action", "task", "note")}
            who = [str(name) for name in told.get("who", ())]
        except (ValueError, AttributeError, TypeError):
            self.set_status(400)
            return
        try:
            wrong = press(self.watch, names["action"], task=names["task"], who=who, note=names["note"])
        except InputError as error:
            wrong = str(error)
        self.answer(wrong)

    def answer(self, wrong: str) -> None:
        """Give how the run stands, or what is wrong with the file."""
        self.set_header("Content-Type", "application/json; charset=utf-8")
        try:
            state: dict[str, Any] = {**state_of(self.watch), "wrong": wrong}
        except InputError as error:
            state = {"wrong": str(error)}
        self.finish(json.dumps(state, ensure_ascii=False))


def application(watch: Watch, *, token: str) -> Application:
    """Make what answers the browser."""
    given = {"watch": watch, "token": token}
    return Application([("/", _Page, given), ("/state", _State, given)], log_function=lambda _: None)


def serve(watch: Watch, *, address: str | None, port: int | None, browser: bool, say: Callable[[str], None]) -> None:
    """Serve the page until it is stopped, to this machine alone or at its address in the house's network.

    It begins with `port` and takes the next that is free. `say` is given the words for the terminal, the address with
    its secret among them. InputError where it can't be served.
    """
    token, host = new_token(), address or LOOPBACK
    server = HTTPServer(application(watch, token=token), max_body_size=10_000)
    with way_in(watch.path.parent) as made_way:
        found = f"http://{host}:{_listening(server, host, PORT if port is None else port)}/?token={token}"
        say(f"The page is at {found}")
        say("The address is for you alone: whoever has it can use the page. To stop, press Ctrl and C.")
        if browser and not webbrowser.open(made_way(found)):
            say(NO_BROWSER)
        try:
            IOLoop.current().start()
        finally:
            server.stop()


def _listening(server: HTTPServer, host: str, first: int) -> int:
    """Listen at the first port that is free, and give it."""
    for port in range(first, first + PORTS):
        try:
            server.listen(port, address=host)
        except (OSError, OverflowError) as error:
            taken = isinstance(error, OSError) and error.errno == errno.EADDRINUSE
            if not taken or port == first + PORTS - 1:
                raise refused("--home-network", "practise_not_served", address=host, port=port, error=error) from error
        else:
            return port
    raise AssertionError("there was no port to try")
