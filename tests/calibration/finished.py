"""Trials whose rows are kept in a file, line by line: a run goes on where it was stopped."""

import argparse
import json
import time
from pathlib import Path


def parser(doc, out, minutes):
    """The options that all trials have; ``out`` and ``minutes`` are those without any."""
    found = argparse.ArgumentParser(description=doc.split("\n\n")[0])
    found.add_argument("--minutes", type=float, default=minutes, help="begin none after")
    found.add_argument("--out", default=out, help="file of what is finished")
    return found


def not_among(rows, seeds, name, values):
    """Pairs of a seed and a value of that name which no row has."""
    done = {(r["seed"], r[name]) for r in rows}
    return [(s, v) for s in seeds for v in values if (s, v) not in done]


def go_on(asked, left, run):
    """All rows of the file, with those of the trials that are left and begin in time.

    left : callable of the rows so far, giving the arguments of each trial. run : callable of these,
    giving the rows of one trial.
    """
    path, end = Path(asked.out), time.monotonic() + 60.0 * asked.minutes
    rows = [json.loads(x) for x in path.read_text().splitlines()] if path.exists() else []
    for trial in left(rows):
        if time.monotonic() > end:
            break
        found = list(run(*trial))
        rows += found
        with path.open("a") as file:
            file.writelines(json.dumps(r) + "\n" for r in found)
    return rows
