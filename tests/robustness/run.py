"""Make the table of hard trials for DEVELOPERS.md: python tests/robustness/run.py --write

The whole of it takes some five minutes on an idle processor; ``--short`` tries a few of each kind.
``--write`` puts the table and its day into DEVELOPERS.md.
"""

import argparse
import datetime as dt
import re
import sys
import tempfile
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))

import files  # noqa: E402
import phones  # noqa: E402
import records  # noqa: E402
from table import row, table  # noqa: E402
from test_panel_probes import probe_all  # noqa: E402


def trials(place, short=False):
    """Pairs of kind and words per trial, one after the other."""
    words, told = records.kills(place, 6 if short else 220, 60 if short else 1800)
    yield f"kill -9 while scores are stored, {told:,} acknowledged", words
    words, told = phones.panel_kills(place, 2 if short else 40, 600)
    yield f"kill -9 of the panel under twelve phones, {told:,} acknowledged", words
    yield "disk full", records.disks_full(place, 2 if short else 24)
    yield "damaged files of a series", records.damaged(place, 12 if short else None)
    yield "bad files to import", files.bad_imports(place, 12 if short else 1)
    package = files.small_package(place)
    yield "hostile packages to open", files.hostile_packages(place, package, 20 if short else 1)
    yield "panel probes", probe_all(place / "probed", 12 if short else 1)


def main():
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--short", action="store_true")
    parser.add_argument("--write", action="store_true")
    rows, asked = [], parser.parse_args()
    with tempfile.TemporaryDirectory() as place:
        for kind, words in trials(Path(place), asked.short):
            rows.append(row(kind, *records.plain(words)))
            print(rows[-1], flush=True)
            if isinstance(words, dict):
                print(records.said(words), file=sys.stderr)
    print(table(rows))
    if asked.write:
        path = Path(__file__).parents[2] / "DEVELOPERS.md"
        found = f"Last run on {dt.date.today()}:\n\n{table(rows)}\n"
        text, number = re.subn(r"Last run on [0-9-]+:\n\n(\| kind .*\n)(\|.*\n)+", lambda _: found,
                               path.read_text(encoding="utf-8"))
        if number != 1:
            sys.exit(f"{path} has {number} tables of hard trials")
        path.write_text(text, encoding="utf-8")


if __name__ == "__main__":
    main()
