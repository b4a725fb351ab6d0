"""Scripts that need the extra `reference` are no tests."""

collect_ignore = ["reference_sampler.py"]
