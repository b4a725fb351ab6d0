"""The command line: make a series folder, open it, import into it, report on it, share it.

Every command says what it wrote and where. What cannot be done ends with one message on the
error stream and exit code 2; nothing is left half-written.
"""

import argparse
import contextlib
import io
import sys
import textwrap

from scentlab import __version__
from scentlab.cli.frame import WIDTH, CannotDo, Page, commands
from scentlab.files import why_not
from scentlab.schema import DataError
from scentlab.text import visible
from scentlab.units import showing

COMMANDS = tuple(commands())


def main(argv=None):
    """Run one command; returns the exit code (0 done, 2 not done; 1 done, but look at it)."""
    sys.stdin = sys.stdin or io.StringIO()  # one that is closed has nothing to say
    with contextlib.redirect_stdout(_Plain(sys.stdout)), \
            contextlib.redirect_stderr(_Plain(sys.stderr)):
        arguments = parser().parse_args(argv)
        try:
            with showing():  # the units of the folder that a command opens
                return arguments.run(arguments) or 0
        except BrokenPipeError:
            return 0
        except KeyboardInterrupt:
            print(f"\nscentlab {arguments.command}: stopped; what was stored before stays, and "
                  "nothing is half written", file=sys.stderr)
            return 130
        except _known_errors() as error:
            outside = isinstance(error, (OSError, MemoryError, UnicodeError))
            words = why_not(error) if outside else error
            print(f"scentlab {arguments.command}: {words}", file=sys.stderr)
            return 2


class _Plain:
    """A stream on which no sign of somebody else's text can steer the terminal, and one that it
    does not know (° where there is ASCII alone) is a question mark. What is closed takes all."""

    def __init__(self, stream):
        self._stream = stream or io.StringIO()
        if hasattr(self._stream, "reconfigure"):
            self._stream.reconfigure(errors="replace")

    def write(self, text):
        return self._stream.write(visible(text))

    def __getattr__(self, name):
        return getattr(self._stream, name)


def _known_errors():
    from scentlab.materials import Refusal
    from scentlab.recording.store import StoreError
    from scentlab.results import FitError
    from scentlab.sharing.guard import SharingError

    return (CannotDo, DataError, Refusal, StoreError, FitError, SharingError, OSError,
            MemoryError, UnicodeError)


def parser():
    whole = argparse.ArgumentParser(
        prog="scentlab", usage="scentlab COMMAND ... (COMMAND --help shows more)", add_help=False,
        formatter_class=Page,
        epilog="\n".join([
            *(f"  {c.name:<10}{c.short}" for c in COMMANDS if not c.rare),
            *textwrap.wrap(f"also {', '.join(c.name for c in COMMANDS if c.rare)}", WIDTH,
                           initial_indent="  ", subsequent_indent="            "),
            "To begin: scentlab demo demo-series. Not a safety assessment: local law applies.",
        ]),
    )
    whole.add_argument("--help", "-h", action="help", help=argparse.SUPPRESS)
    whole.add_argument("--version", action="version", version=f"scentlab {__version__}",
                       help=argparse.SUPPRESS)
    found = whole.add_subparsers(dest="command", required=True, help=argparse.SUPPRESS)
    for command in COMMANDS:
        command.add_to(found)
    return whole
