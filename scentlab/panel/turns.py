"""Whoever stores waits for a turn; all who wait by then are stored with one write to the disk."""

import collections
import threading
from concurrent.futures import Future

from scentlab.recording.store import RefusedError
from scentlab.schema import DataError


class Turns:
    """Actions on a store one after the other, those that wait meanwhile in one transaction: a
    write to the disk takes longer than a score, and twelve phones would each wait for twelve."""

    def __init__(self, store):
        self._store, self._waiting, self._turn = store, collections.deque(), threading.Lock()

    def take(self, action):
        """What ``action()`` returns, once it is stored for good; its error, or that of the
        store."""
        mine = Future()
        self._waiting.append((action, mine))
        with self._turn:
            if not mine.done():  # nobody did it in their turn
                crowd = [self._waiting.popleft() for _ in range(len(self._waiting))]
                self._store_all(crowd)
        return mine.result()

    def _store_all(self, crowd):
        try:
            with self._store.together():
                found = [self._tried(action) for action, _ in crowd]
        except BaseException as error:
            if len(crowd) > 1:  # nothing of it is stored: each for itself, so that one fails alone
                for one in crowd:
                    self._store_all([one])
                return
            found = [(None, error)]
        for (_, future), (result, error) in zip(crowd, found, strict=True):
            if error is None:
                future.set_result(result)
            else:
                future.set_exception(error)

    def _tried(self, action):
        """What an action returns, and why it was refused; what it stored before is taken back."""
        try:
            with self._store.together():
                return action(), None
        except (DataError, RefusedError) as error:
            return None, error
