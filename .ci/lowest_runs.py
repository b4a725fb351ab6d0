"""A line of .ci/lowest-runs.md: which versions were tried last, when, and how the tests ended.

    python .ci/lowest_runs.py lowest|newest TESTS FILE-OF-WHAT-PYTEST-SAID
"""

import datetime as dt
import importlib.metadata
import platform
import re
import sys
from pathlib import Path

HEAD = """# Dependencies: the last run of each Python with the lowest and the newest versions

Written by `.ci/lowest`; what it tried last stands before what it tried earlier.

| Python | versions | numpy, scipy, pandas, matplotlib, tornado | tests | ended | day |
| --- | --- | --- | --- | --- | --- |
"""
SHOWN = ("numpy", "scipy", "pandas", "matplotlib", "tornado")


def main(which, tests, said):
    python = platform.python_version()
    versions = ", ".join(importlib.metadata.version(name) for name in SHOWN)
    closing = Path(said).read_text(encoding="utf-8").strip().splitlines()[-1:]
    ended = re.sub(r" in \d.*|, \d+ warnings?|=+", "", (closing or ["nothing"])[0]).strip(" ,")
    start = f"| {python} | {which} | "
    line = f"{start}{versions} | {tests} | {ended} | {dt.date.today()} |\n"
    path = Path(__file__).with_name("lowest-runs.md")
    rows = path.read_text(encoding="utf-8").splitlines(True) if path.exists() else []
    same = f" | {tests} | "
    rows = [r for r in rows if r.startswith("| 3") and not (r.startswith(start) and same in r)]
    path.write_text(HEAD + line + "".join(rows), encoding="utf-8")


if __name__ == "__main__":
    main(*sys.argv[1:])
