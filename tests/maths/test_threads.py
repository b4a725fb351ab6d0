"""One BLAS thread while the kit computes, and the user's own number before and after."""

import inspect
import threading
from importlib import import_module

import numpy as np
import pytest
from threadpoolctl import threadpool_info, threadpool_limits

import scentlab
from scentlab.maths.threads import one_thread

OTHERS = {
    "choosing.ceiling": {"find_ceiling"},
    "choosing.costs": {"load_costs"},
    "choosing.pick": {"choose_load"},
    "choosing.analysis": {"analyse"},
    "choosing.diagnosis": {"diagnose"},
    "foresight.precision": {"precision"},
    "foresight.next_step": {"next_step"},
    "simulate": {"simulate_series"},
}


def blas_threads():
    return {lib["num_threads"] for lib in threadpool_info() if lib["user_api"] == "blas"}


@pytest.fixture(autouse=True)
def three():
    """Three threads around each test, as a user may have them; some BLAS cannot be told."""
    with threadpool_limits(3, user_api="blas"):
        if blas_threads() != {3}:
            pytest.skip("needs a BLAS with threads that can be set")
        yield


def test_one_thread_inside_and_the_users_number_after():
    with one_thread():
        assert blas_threads() == {1}
    assert blas_threads() == {3}


def test_what_is_too_small_for_a_number_is_none_whatever_the_caller_has_set():
    with np.errstate(all="raise"):
        with one_thread():
            assert np.float64(1e-200) * 1e-200 == 0.0
        with pytest.raises(FloatingPointError):
            np.float64(1e-200) * 1e-200


def test_an_error_inside_gives_the_number_back():
    with pytest.raises(np.linalg.LinAlgError), one_thread():
        np.linalg.inv(np.zeros((2, 2)))
    assert blas_threads() == {3}


def test_within_itself_the_limit_lasts_until_the_outermost_ends():
    with one_thread():
        with one_thread():
            pass
        assert blas_threads() == {1}
    assert blas_threads() == {3}


def test_of_two_threads_the_first_takes_the_limit_back_and_none_waits():
    came, may_leave, seen = threading.Event(), threading.Event(), []

    @one_thread()
    def second():
        seen.append(blas_threads())
        came.set()
        assert may_leave.wait(20)

    worker = threading.Thread(target=second)
    with one_thread():
        worker.start()
        assert came.wait(20)
    assert seen == [{1}] and blas_threads() == {3}
    may_leave.set()
    worker.join(20)
    assert blas_threads() == {3}


@pytest.mark.parametrize("module", [
    *(m for m in scentlab._PUBLIC if m.startswith("fitting.")), *OTHERS
])
def test_what_computes_has_the_limit(module):
    """Every public function of fitting, and those named above, are decorated."""
    names = OTHERS.get(module, scentlab._PUBLIC.get(module))
    functions = {n: getattr(import_module(f"scentlab.{module}"), n) for n in names}
    bare = {n for n, f in functions.items() if inspect.isfunction(f) and inspect.unwrap(f) is f}
    assert bare == set()
