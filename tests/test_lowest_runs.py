"""What .ci/lowest-runs.md says of how the tests ended."""

import shutil
import subprocess
import sys
from pathlib import Path

import pytest

SCRIPT = Path(__file__).parents[1] / ".ci" / "lowest_runs.py"


@pytest.mark.parametrize(("said", "ended"), [
    ("==== 1853 passed, 796 warnings in 61.20s (0:01:01) ====", "1853 passed"),
    ("1 failed, 1852 passed, 2 skipped, 1 warning in 9.1s", "1 failed, 1852 passed, 2 skipped"),
    ("3 errors in 0.5s", "3 errors"), ("", "nothing"),
])
def test_a_row_says_how_the_tests_ended_without_warnings_and_time(said, ended, tmp_path):
    (tmp_path / "said.txt").write_text(f"....\n{said}\n" if said else "")
    script = shutil.copy(SCRIPT, tmp_path)
    subprocess.run([sys.executable, script, "lowest", "all", tmp_path / "said.txt"], check=True)
    row = (tmp_path / "lowest-runs.md").read_text().splitlines()[-1]
    assert row.split(" | ")[4] == ended
