"""``import scentlab`` is quick and light, and every public name is where the table says."""

import ast
import inspect
import subprocess
import sys
import tomllib
from pathlib import Path

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


def test_the_page_where_the_work_begins_waits_for_no_fit_and_no_picture():
    loaded = in_a_new_python("import sys, scentlab.screens.start; print(*sys.modules)")
    assert not {"matplotlib", "scipy", "statsmodels"} & set(loaded)


def test_the_server_of_the_lab_leaves_the_slow_grammar_out():
    loaded = in_a_new_python("import sys, scentlab.lab.__main__; print(*sys.modules)")
    assert "jsonschema" in loaded and "lark" not in loaded


def test_dir_lists_the_public_names():
    assert set(scentlab.__all__) <= set(dir(scentlab))


@pytest.mark.parametrize("name", scentlab.__all__)
def test_every_public_name_can_be_loaded(name):
    assert getattr(scentlab, name) is not None


def test_an_unknown_name_is_refused_as_python_does():
    with pytest.raises(AttributeError, match="^module 'scentlab' has no attribute 'nonsense'$"):
        _ = scentlab.nonsense


WITHOUT_THE_LAB = """
import sys
for name in ("ipywidgets", "anywidget", "traitlets", "IPython", "jupyter_server", "jupyterlab"):
    sys.modules[name] = None
import scentlab
for name in scentlab.__all__:
    try:
        getattr(scentlab, name)
    except ImportError as error:
        print(name)
        assert str(error).endswith("as in: pip install '.[lab]'"), error
"""


def test_without_jupyterlab_all_but_the_pages_is_there():
    pages = {n for n, module in scentlab._HOME.items() if module.split(".")[0] in
             ("forms", "screens")} & set(scentlab.__all__)
    assert set(in_a_new_python(WITHOUT_THE_LAB)) == pages


def test_one_version_is_said_everywhere():
    root = Path(scentlab.__file__).parents[1]
    project = tomllib.loads((root / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    assert project["version"] == scentlab.__version__
    cited = (root / "CITATION.cff").read_text(encoding="utf-8")
    assert f"\nversion: {scentlab.__version__}\n" in cited
    changes = (root / "CHANGELOG.md").read_text(encoding="utf-8")
    assert changes.split("## ")[1].startswith(f"{scentlab.__version__}, ")


def test_main_help_in_a_new_python():
    run = subprocess.run(
        [sys.executable, "-m", "scentlab", "--help"], capture_output=True, text=True, check=True
    )
    assert "scentlab demo" in run.stdout


def signed(obj):
    """The functions of a public name that a caller sees, with their names: it, or its methods."""
    if not inspect.isclass(obj):
        yield obj.__name__, obj
        return
    for name, value in vars(obj).items():
        own = getattr(value, "fget", None) or getattr(value, "__func__", value)
        if inspect.isfunction(own) and not name.startswith("_"):
            yield name, own


@pytest.mark.parametrize("name", [n for n in scentlab.__all__ if n != "__version__"])
def test_a_public_name_says_what_it_takes_and_gives(name):
    public = getattr(scentlab, name)
    try:
        takes = inspect.signature(public).parameters
    except ValueError:  # an exception of Python's own signature
        takes = {"message"}
    text = inspect.getdoc(public)
    assert bool(takes) <= ("Parameters\n----------\n" in text)
    assert inspect.isclass(public) or "Returns\n-------\n" in text
    assert ">>> " in text
    for place, function in signed(public):
        assert function.__doc__, place
        sign = inspect.signature(function)
        assert sign.return_annotation is not inspect.Signature.empty, place
        bare = [p.name for p in sign.parameters.values()
                if p.annotation is p.empty and p.name not in ("self", "cls")]
        assert not bare, f"{place} has no type on {bare}"


def test_type_checkers_see_the_public_names():
    root = Path(scentlab.__file__).parent
    stub = ast.parse((root / "__init__.pyi").read_text(encoding="utf-8"))
    named = {(node.module.removeprefix("scentlab."), alias.name) for node in stub.body
             if isinstance(node, ast.ImportFrom) and node.module != "typing"
             for alias in node.names}
    assert named == {(m, n) for m, names in scentlab._PUBLIC.items() for n in names}
    assert (root / "py.typed").is_file()
