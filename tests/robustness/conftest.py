"""Scripts of hard trials are no tests."""

collect_ignore_glob = ["files.py", "phones.py", "records.py", "run.py", "table.py"]
