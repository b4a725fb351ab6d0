"""How long a job takes, on the processor's time."""

import time

import numpy as np


def seconds(job, repeats=1):
    """Median processor seconds of a job."""
    taken = []
    for _ in range(repeats):
        start = time.process_time()
        job()
        taken.append(time.process_time() - start)
    return float(np.median(taken))
