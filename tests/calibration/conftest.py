"""Scripts that need the extra `reference`, or the script beside them, are no tests."""

collect_ignore = ["reference_sampler.py", "pairs_held.py", "quick_checks.py", "grown_series.py",
                  "lot_checks.py", "workshops.py"]
