"""``import scentlab`` is quick and light, and every public name is where the table says."""

import subprocess
import sys

import pytest

import scentlab

HEAVY = ("matplotlib", "ipywidgets", "statsmodels", "sqlite3", "pandas", "scipy")
LIMIT_S = 0.4

PROBE = """
import sys, time
began = time.perf_counter()
import scentlab
took = time.perf_counter() - began
print(took, *sorted({m.split('.')[0] for m in sys.modules}))
"""


def in_a_new_python(code):
    run = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    return run.stdout.split()


def test_import_loads_no_heavy_library_and_is_quick():
    times = []
    for _ in range(3):
        took, *modules = in_a_new_python(PROBE)
        times.append(float(took))
        assert not set(HEAVY) & set(modules)
    assert min(times) < LIMIT_S


def test_dir_lists_the_public_names():
    assert set(scentlab.__all__) <= set(dir(scentlab))


@pytest.mark.parametrize("name", scentlab.__all__)
def test_every_public_name_can_be_loaded(name):
    assert getattr(scentlab, name) is not None


def test_an_unknown_name_is_refused_as_python_does():
    with pytest.raises(AttributeError, match="^module 'scentlab' has no attribute 'nonsense'$"):
        _ = scentlab.nonsense


def test_the_version_is_the_one_of_the_installed_package():
    from importlib.metadata import PackageNotFoundError, version

    try:
        installed = version("scentlab")
    except PackageNotFoundError:
        pytest.skip("scentlab runs from a checkout that is not installed")
    assert installed == scentlab.__version__


def test_main_help_in_a_new_python():
    run = subprocess.run(
        [sys.executable, "-m", "scentlab", "--help"], capture_output=True, text=True, check=True
    )
    assert "scentlab demo" in run.stdout
