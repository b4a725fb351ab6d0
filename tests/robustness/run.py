"""Make the table of hard trials for DEVELOPERS.md: python tests/robustness/run.py [--short]

The whole of it takes some ten minutes on an idle processor; ``--short`` tries a few of each kind.
"""

import argparse
import sys
import tempfile
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))

import files  # noqa: E402
import records  # noqa: E402
from table import row, table  # noqa: E402


def trials(place, short=False):
    """Pairs of kind and words per trial, one after the other."""
    words, told = records.kills(place, 6 if short else 220, 60 if short else 1800)
    yield f"kill -9 while scores are stored, {told:,} acknowledged", words
    yield "disk full", records.disks_full(place, 2 if short else 24)
    yield "damaged files of a series", records.damaged(place, 12 if short else None)
    yield "bad files to import", files.bad_imports(place, 12 if short else 1)
    package = files.small_package(place)
    yield "hostile packages to open", files.hostile_packages(place, package, 20 if short else 1)


def main():
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--short", action="store_true")
    rows = []
    with tempfile.TemporaryDirectory() as place:
        for kind, words in trials(Path(place), parser.parse_args().short):
            rows.append(row(kind, *records.plain(words)))
            print(rows[-1], flush=True)
            if isinstance(words, dict):
                print(records.said(words), file=sys.stderr)
    print(table(rows))


if __name__ == "__main__":
    main()
