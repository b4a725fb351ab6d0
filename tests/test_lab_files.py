"""The files that the lab lists."""

import asyncio
import os

from scentlab.lab.contents import KitContents
from scentlab.workshop import make_demo_series


def test_a_folder_is_listed_while_the_kit_writes_into_it(monkeypatch, tmp_path):
    """Files that last for a moment only: the journal of the store, and what is not yet renamed."""
    make_demo_series(tmp_path / "demo")
    demo = tmp_path / "demo"
    short_lived = [demo / "series.sqlite-wal", demo / "series.sqlite-shm", demo / ".plan.html.x1"]
    looked_at = os.lstat

    def gone_when_looked_at_again(path, **more):
        state = looked_at(path, **more)
        if str(path) in map(str, short_lived):
            os.unlink(path)
        return state

    for path in short_lived:
        path.touch()
    monkeypatch.setattr(os, "lstat", gone_when_looked_at_again)
    listed = asyncio.run(KitContents(root_dir=str(tmp_path)).get("demo"))
    assert {"series.sqlite", "exports"} <= {entry["name"] for entry in listed["content"]}
    assert not any(path.exists() for path in short_lived)
