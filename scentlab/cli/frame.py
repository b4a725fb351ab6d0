"""What every command is made of: its description, its options, folders and files it may take."""

import argparse
import contextlib
import re
import shutil
import sys
import textwrap
from dataclasses import dataclass
from importlib import import_module
from pathlib import Path

from scentlab import amounts
from scentlab.files import quoted, table_beside, write_whole
from scentlab.text import count_of as count  # noqa: F401 - for the commands
from scentlab.units import show_in, shown

STORE_NAME = "series.sqlite"
WIDTH = 80  # of a help page, which is to fit a screen of 24 lines


class CannotDo(Exception):
    """A command that cannot be carried out; the message says why and what to do."""


@dataclass(frozen=True)
class Command:
    """A command: its module, what it does in a line and in a few, examples, its options."""

    name: str
    module: str
    short: str
    long: str
    example: str
    options: tuple
    rare: bool
    of_series: bool

    def run(self, arguments):
        """Run it; what it needs is imported now, after a look whether there is such a series."""
        if self.of_series:
            arguments.folder = series_folder(arguments.folder)
        module = import_module(f"scentlab.cli.{self.module}")
        return getattr(module, f"_{self.name}")(arguments)

    def add_to(self, commands):
        needed = [o for o in self.options if not o[0].startswith("-")]
        needed += [o for o in self.options if o[1].get("required")]
        usage = " ".join(filter(None, [
            "scentlab", self.name, *(_usage(name, more) for name, more in needed),
            "[options]" if len(needed) < len(self.options) else "",
        ]))
        parser = commands.add_parser(
            self.name, help=self.short, usage=usage, add_help=False, formatter_class=Page,
            description=textwrap.fill(" ".join(self.long.split()), WIDTH),
            epilog=f"examples:\n{textwrap.indent(self.example, '  ')}",
        )
        parser.add_argument("--help", "-h", action="help", help=argparse.SUPPRESS)
        for name, more in self.options:
            parser.add_argument(name, **more)
        parser.set_defaults(run=self.run)


class Page(argparse.RawDescriptionHelpFormatter):
    """A help page with an option and its words on one line."""

    def __init__(self, prog):
        super().__init__(prog, max_help_position=34, width=WIDTH)


class Once(argparse._StoreAction):
    """An option that takes one value: a second one is refused, where argparse would drop the first.
    """

    def __call__(self, parser, namespace, values, option_string=None):
        given = namespace.__dict__.setdefault("_given", set())
        if self.dest in given:
            parser.error(f"{option_string} is given twice, with {getattr(namespace, self.dest)!r} "
                         f"and {values!r}; give it once")
        if values == []:  # what argparse makes of "--packs=--"
            parser.error(f"{option_string} has no value")
        given.add(self.dest)
        super().__call__(parser, namespace, values, option_string)


def _usage(name, more):
    value = more.get("metavar", name)
    value = f"{name} {value}" if name.startswith("-") else value
    return {"+": f"{value} ...", "*": f"[{value} ...]"}.get(more.get("nargs"), value)


def options(text):
    """Options as argparse takes them, from the lines of ``commands.toml``."""
    own, shared = [], []
    for line in text.strip().splitlines():
        for part in line.split() if line[0] != "-" and ": " not in line else [line]:
            more = GROUPS[part[1:]] if part[0] == "@" else [_option(part)]
            (shared if more[0][0].startswith("-") and part[0] == "@" else own).extend(more)
    return (*own, *shared)


def options_for(lines):
    """Options by the name of the field that each of them fills."""
    return tuple((name, {**more, "dest": field}) for field, line in lines.items()
                 for name, more in options(line))


def option(name, **more):
    """An option as argparse takes it; without ``help`` it is on no page."""
    return name, {"help": argparse.SUPPRESS, **more}


def _option(line):
    left, _, words = line.partition(": ")
    left, equals, usual = left.partition(" = ")
    name, _, value = left.partition(" ")
    more = {"help": words.replace("%", "%%")} if words else {}
    if not name.startswith("-"):
        nargs = {".": "+", "*": "*"}.get(name[-1])
        more |= {"metavar": name.rstrip(".*")} | ({"nargs": nargs} if nargs else {})
        return option(re.match("[A-Z]+", name)[0].lower(), **more)
    if name.endswith("!"):
        more["required"] = True
    if not value:
        return option(name.rstrip("!"), action="store_true", **more)
    if value.endswith("..."):
        more |= {"action": "append", "default": []}
    else:
        more |= {"action": Once} | ({"default": usual} if equals else {})
    if "|" in value:
        kind = int if value[0].isdigit() else str
        more |= {"choices": tuple(map(kind, value.split("|"))), "type": kind}
    else:
        more |= {"metavar": value.removesuffix("..."), "type": _TYPES.get(value, str)}
    return option(name.rstrip("!"), **more)


def _by(reader):
    """A reader of amounts as a type of argparse."""
    def read(text):
        try:
            return reader(text)
        except ValueError as error:
            raise argparse.ArgumentTypeError(error) from None
    return read


def _workers(text):
    """A number of processes, or the address of a scheduler."""
    return text if "://" in text else int(text)


def _number(kind, words):
    """A number as a type of argparse, which says how to write it."""
    def read(text):
        try:
            return kind(text)
        except ValueError:
            raise argparse.ArgumentTypeError(
                f"{text!r} is not a number; write it as {words}") from None
    return read


def _seed(text):
    if (seed := int(text)) < 0:
        raise ValueError
    return seed


_TYPES = {"NUMBER": _number(int, "40"), "SEED": _number(_seed, "1, without a sign"),
          "DATE": _by(amounts.read_date), "PERCENT": _by(amounts.read_percent),
          **dict.fromkeys(("MONEY", "DAYS", "POINTS"), _number(float, "8.5, with a point"))}
_PAGES = table_beside(__file__, "commands.toml")
FIELDS = _PAGES["fields"]  # the option of each field of the rules and of a recipe
# What an answer may propose instead.
PROPOSED = ("risk", "confidence", "limit_grade", "frost_limit_grade", "throw_loss")
OTHER_RULES = "It also takes the rules of `scentlab report --help`; those in rules.json apply."
_TABLES = "pours grades throws bleeds warmings pairs heats photos unpoured"
GROUPS = {
    **{name: options(text) for name, text in _PAGES["groups"].items()},
    "entry": (option("table", metavar="TABLE", choices=_TABLES.split()),
              option("entry", metavar="ENTRY", type=int)),
    "workers": (option("--workers", type=_workers, default=1, metavar="NUMBER",
                       help="fits at the same time (1), or tcp://HOST:PORT of a Dask scheduler"),),
    "recipe": options_for(FIELDS["recipe"]),
    "proposed": options_for({name: FIELDS["rules"][name] for name in PROPOSED}),
}
GROUPS["all-rules"] = options_for(FIELDS["rules"]) + GROUPS["seed"]
# On one page alone, taken by many commands.
GROUPS["rules"] = tuple((name, {**more, "help": argparse.SUPPRESS})
                        for name, more in GROUPS["all-rules"])


def commands():
    for name, page in _PAGES["commands"].items():
        asked = page.get("options", "")
        ruled = OTHER_RULES if re.search(r"@rules\b", asked) else ""
        yield Command(name, page["in"], page["short"], f"{page['long']} {ruled}",
                      page["example"].strip(), options(asked), page.get("rare", False),
                      "@series" in asked)


def series_folder(name):
    """The path of a series folder, which must hold a record."""
    folder = Path(name)
    if not (folder / STORE_NAME).is_file():
        raise CannotDo(
            f"{folder} is not a series folder: it has no {STORE_NAME}; make one with: "
            f"{call('new', folder)}"
        )
    for other in sorted(folder.glob("series?*.sqlite")):
        noted([f"{other} is not read, only {STORE_NAME} is. If a sync program made it, it may hold "
               "what another computer stored. To see, copy it into a new folder as "
               f"{STORE_NAME}."], file=sys.stderr)
    units_of(folder)
    return folder


def units_of(folder, typed=()):
    """Show everything in the units of a folder, or where it has none in those typed first, which
    are then returned."""
    choice, how = amounts.units_here(folder)
    first = None if how else amounts.units_typed(filter(None, typed))
    show_in(first or choice)
    return first


def amount(name, unit, text):
    """An amount of an option in the unit of a column, None where it is not given, or the error that
    names the option. A bare number is in the units of the folder."""
    with reading(name):
        return amounts.read_amount(text, unit, shown()) if text else None


@contextlib.contextmanager
def reading(name):
    """An amount of an option that cannot be read is an error that names the option."""
    try:
        yield
    except amounts.AmountError as error:
        raise CannotDo(f"{name} {error}") from error


def workshop_folder(name):
    """The path of a folder of series, or of a series."""
    folder = Path(name)
    if not folder.is_dir():
        raise CannotDo(f"there is no folder {folder}; check its name, or make it first")
    units_of(folder)
    return folder


def empty_folder(name):
    """The path of a folder to make, which must be new or empty."""
    folder = Path(name)
    wrong = f"{folder} is a file" if folder.is_file() else ""
    if folder.is_dir() and any(folder.iterdir()):
        wrong = f"the folder {folder} is not empty; nothing in it was touched"
    if wrong:
        raise CannotDo(f"{wrong}; give the name of a new or empty folder")
    return folder


def new_file(name, suffix, what):
    """The path of a file to be written, which must not be there yet; ``what`` it is, for errors."""
    path = Path(name)
    if path.suffix.lower() != suffix:
        raise CannotDo(f"{what}: give --out a name that ends in {suffix}, not {path}")
    _need_folder(path)
    if path.exists():
        raise CannotDo(f"{path} already exists and was not touched; give another name")
    return path


def page_path(name, make_folder=False):
    """The path of a web page; an earlier page of the name is replaced, and nothing else is."""
    path = Path(name)
    if path.suffix.lower() not in (".html", ".htm"):
        raise CannotDo(f"this is a web page: give --out a name that ends in .html, not {path}")
    if make_folder:
        path.parent.mkdir(parents=True, exist_ok=True)
    _need_folder(path)
    return path


def _need_folder(path):
    if not path.parent.is_dir():
        raise CannotDo(f"there is no folder {path.parent}; make it or give another --out")


def understood(parts, given, name, form):
    """The parts of an option that must have the form, or the error that shows it."""
    if parts is None:
        raise CannotDo(f"{name} {given!r} is not understood; write {form}")
    return parts


def program():
    """How this program can be called from here: by its name only if the shell would find it."""
    return "scentlab" if shutil.which("scentlab") else f"{quoted(sys.executable)} -m scentlab"


def call(command, folder):
    """How a command is called from here on a folder."""
    return f"{program()} {command} {quoted(folder)}"


def item(words):
    """A paragraph of a list, as wide as the screen."""
    return textwrap.fill(words, _screen(), initial_indent="* ", subsequent_indent="  ")


def _screen():
    """The columns of the terminal, which would break a longer line inside a word or a number."""
    return min(shutil.get_terminal_size().columns, 100) if sys.stdout.isatty() else 100


def listed(words):
    for one in words:
        print(item(one))


def noted(notes, kind="Note: ", file=None):
    """Print notes, each as wide as the screen."""
    for words in filter(None, notes):
        print(textwrap.fill(f"{kind}{words}", _screen(), subsequent_indent="  "), file=file)


def exported(folder, name, text):
    """Write a page into the exports of a series; returns its path."""
    path = Path(folder) / "exports" / name
    path.parent.mkdir(exist_ok=True)
    return write_whole(path, text)


def text_table(view, columns):
    """Lines of some columns (by their place) of a table in words, each as wide as it needs."""
    lines = [[" ".join(str(row[c]).split()) for c in columns]
             for row in (view.headings, *view.rows)]
    widths = [max(map(len, column)) for column in zip(*lines, strict=True)]
    return ["  ".join(c.ljust(w) for c, w in zip(line, widths, strict=True)).rstrip()
            for line in lines]


def working(stage):
    """Say on a terminal which stage of the work has begun."""
    if sys.stderr.isatty():
        print(f"Working: {stage} ...", file=sys.stderr)
