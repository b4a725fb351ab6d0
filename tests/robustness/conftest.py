"""Scripts of hard trials are no tests."""

collect_ignore_glob = ["files.py", "records.py", "run.py", "table.py"]
