"""The program `leaveby`, stopped by Ctrl and C wherever it is, while it is loaded as well."""

import signal
import sys

AGAIN_S = 0.25
ENDED_SO = ("lab", "practise")
"""Commands that go on until they are stopped, and have to hear it once."""


def main() -> int:
    """Run the command of the terminal, as `leaveby.cli.main`; 130 where it was stopped.

    Some libraries swallow what is raised while they are loaded or call back: it is raised again until all is unwound.
    """

    def stop(heard: int, _: object) -> None:
        signal.setitimer(signal.ITIMER_REAL, AGAIN_S)
        if heard == signal.SIGINT or not isinstance(sys.exception(), KeyboardInterrupt):
            raise KeyboardInterrupt

    try:
        if sys.platform != "win32" and sys.argv[1:2] not in ([name] for name in ENDED_SO):
            signal.signal(signal.SIGALRM, stop)
            if signal.getsignal(signal.SIGINT) is signal.default_int_handler:  # not where whoever started it ignores it
                signal.signal(signal.SIGINT, stop)
        from leaveby.cli import main as run

        return run()
    except KeyboardInterrupt:
        if sys.platform != "win32":
            signal.setitimer(signal.ITIMER_REAL, 0.0)
        if sys.stderr is not None:
            sys.stderr.write("Stopped. Nothing half-written was left.\n")
        return 130


if __name__ == "__main__":
    sys.exit(main())
