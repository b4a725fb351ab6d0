"""One thread for linear algebra while the kit computes.

The matrices here are small: a second thread finds nothing to do and spends a processor on waiting,
five to thirty times the work itself on a busy machine.
"""

import threading
from contextlib import contextmanager

import numpy as np
import scipy.linalg  # noqa: F401 - brings a BLAS of its own, which must be there to be limited
from threadpoolctl import ThreadpoolController

_LIBRARIES = ThreadpoolController()
_HELD = threading.RLock()


@contextmanager
def one_thread():
    """Context and decorator: BLAS works in one thread, and as before afterwards; what is too small
    for a number is 0, also where numpy is set to raise on it.

    The number of threads belongs to the whole process. Of several threads of Python that compute
    at a time the first sets it and, when it leaves, takes it back; the others leave it alone.

    >>> @one_thread()
    ... def double(number):
    ...     return 2 * number
    >>> double(21)
    42
    """
    with np.errstate(under="ignore"):  # a chance of next to nothing is no error
        if not _HELD.acquire(blocking=False):
            yield
            return
        try:
            with _LIBRARIES.limit(limits=1, user_api="blas"):
                yield
        finally:
            _HELD.release()
