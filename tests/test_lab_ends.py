"""What the lab leaves running when the kit is told to end: nothing."""

import os
import signal
import subprocess
import sys
import time

LAB = """
import os, sys, time
from pathlib import Path
import scentlab.lab as lab
lab.sys.executable = sys.argv[1]
raise SystemExit(lab.run_lab(Path(sys.argv[2])))
"""


def test_the_lab_ends_with_the_kit(tmp_path):
    place, stand_in = tmp_path / "pid", tmp_path / "lab"
    stand_in.write_text(f"#!/bin/sh\necho $$ > {place}.new\nmv {place}.new {place}\n"
                        "exec sleep 60\n")
    stand_in.chmod(0o755)
    kit = subprocess.Popen([sys.executable, "-c", LAB, stand_in, tmp_path])
    try:
        limit = time.monotonic() + 30
        while not place.exists() and time.monotonic() < limit:
            time.sleep(0.05)
        child = int(place.read_text())
        time.sleep(0.5)  # the kit takes hold of the lab after it has begun
        kit.send_signal(signal.SIGTERM)
        assert kit.wait(30) == 241  # -15: as the lab ended, in the eight bits of a return code
        assert not os.path.exists(f"/proc/{child}")
    finally:
        kit.kill()
        kit.wait()
