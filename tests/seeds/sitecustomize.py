"""Shifts every seed by SCENTLAB_TEST_SEED_SHIFT, in each Python that finds this folder on its path.

Seeds reach numpy by two doors, ``numpy.random.default_rng`` and ``numpy.random.SeedSequence``; both
are replaced. So the seeds that tests write down and those that the kit has by default are shifted
alike, and processes that a test starts draw what the test itself would draw.
"""

import os


def shifted(seed, by):
    """A whole number, or the first of several, plus the shift; all else as it is.

    >>> shifted(1, 5), shifted([1, 2], 5), shifted(None, 5)
    (6, [6, 2], None)
    """
    if isinstance(seed, list | tuple):
        return [shifted(seed[0], by), *seed[1:]]
    return seed + by if hasattr(seed, "__index__") else seed


def shift(by):
    """Replace numpy's two doors, once."""
    from numpy import random

    if hasattr(random.default_rng, "shift"):
        return
    make_rng, make_sequence = random.default_rng, random.SeedSequence

    def default_rng(seed=None):
        return make_rng(shifted(seed, by))

    def seed_sequence(entropy=None, **more):
        return make_sequence(shifted(entropy, by), **more)

    default_rng.shift = by
    random.default_rng, random.SeedSequence = default_rng, seed_sequence


if os.environ.get("SCENTLAB_TEST_SEED_SHIFT"):
    shift(int(os.environ["SCENTLAB_TEST_SEED_SHIFT"]))
