"""Who may import whom. The tables below are the design; the tests hold the code to them.

``maths < fitting < choosing < foresight < sharing``, with planning and recording beside
fitting. One module or folder owns each outside library. Imports inside functions count like those
at the top.
"""

import ast
import sys
from pathlib import Path

import pytest

import scentlab

PACKAGE = Path(scentlab.__file__).parent

VOCABULARY = {
    "files", "text", "units", "amounts", "schema", "materials", "series", "results", "frames",
}

# A part of the package and the other parts that it may import.
MAY_IMPORT = {
    "__init__": set(),
    "__main__": {"cli"},
    "files": set(),
    "text": set(),
    "units": set(),
    "schema": {"files", "text", "units"},
    "results": set(),
    "amounts": {"files", "units"},
    "materials": {"schema", "text", "units"},
    "frames": {"results", "schema", "text"},
    "series": {"files", "frames", "text", "units"},
    "maths": VOCABULARY,
    "planning": VOCABULARY | {"maths"},
    "recording": VOCABULARY | {"maths"},
    "panel": VOCABULARY | {"recording"},
    "fitting": VOCABULARY | {"maths"},
    "choosing": VOCABULARY | {"maths", "fitting"},
    "foresight": VOCABULARY | {"maths", "planning", "simulate", "fitting", "choosing"},
    "memory": VOCABULARY | {
        "maths", "fitting", "choosing", "foresight", "recording", "workshop",
    },
    "words": VOCABULARY | {"maths", "fitting", "choosing"},
    "sharing": VOCABULARY | {"maths", "fitting", "choosing", "foresight", "words"},
    "simulate": VOCABULARY | {"maths"},
    "workshop": VOCABULARY | {"recording"},
    "quick": VOCABULARY | {"workshop", "recording", "planning", "choosing", "foresight"},
    "selling": VOCABULARY | {"planning", "recording", "choosing", "sharing"},
    "guide": VOCABULARY | {"maths", "recording"},
    "cli": VOCABULARY | {
        "workshop", "recording", "panel", "choosing", "sharing", "planning", "foresight",
        "words", "lab", "quick", "selling", "memory",
    },
    "forms": VOCABULARY | {"planning", "recording", "foresight", "sharing", "quick"},
    "screens": VOCABULARY | {
        "workshop", "forms", "guide", "planning", "recording", "choosing", "foresight", "words",
        "sharing", "quick", "selling", "memory",
    },
    "lab": {"files", "workshop"},
}

# An outside library and the modules or folders that may import it.
OWNERS = {
    "sqlite3": {"recording.store", "recording.damage"},
    "ipywidgets": {"forms", "screens"},
    "anywidget": {"forms.frame", "forms.paper"},
    "traitlets": {"forms.frame", "forms.paper", "lab.contents"},
    "openpyxl": {"recording.spreadsheets"},
    "jupyter_server": {"lab.contents", "lab.kernels"},
    "jupyterlab": {"lab.__main__"},
    "tornado": {"panel.server", "panel.bench", "lab.contents"},
    "segno": {"panel.server", "planning.labels"},
    "PIL": {"recording.photos", "sharing.photos"},
    "matplotlib": {"sharing.axes"},
    "threadpoolctl": {"maths.threads"},
    "joblib": {"foresight.running"},
    "dask": {"foresight.running"},
    "tqdm": {"foresight.running"},
    "statsmodels": {"maths.intervals"},
    "jinja2": {"planning.sheets", "sharing"},
    "argparse": {"cli"},
}

# Libraries that the package may use at all, beside Python's own and those with an owner.
SHARED = {"numpy", "pandas", "scipy", "scentlab"}

VAGUE = {"utils", "util", "helpers", "helper", "core", "common", "misc", "tools"}


def modules():
    """Dotted name within the package of every module, and its path."""
    for path in sorted(PACKAGE.rglob("*.py")):
        parts = path.relative_to(PACKAGE).with_suffix("").parts
        if parts[0] not in ("notebooks", "data"):
            yield ".".join(parts), path


MODULES = dict(modules())


def imported(source, module):
    """Full dotted names that a source imports, relative ones resolved.

    >>> sorted(imported("import a.b\\nfrom . import c\\nfrom ..d import e", "x.y"))
    ['a.b', 'scentlab.d.e', 'scentlab.x.c']
    """
    found = set()
    package = ["scentlab", *module.split(".")][:-1]
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            base = package[: len(package) - node.level + 1] if node.level else []
            base = [*base, node.module] if node.module else base
            found |= {".".join([*base, alias.name]) for alias in node.names}
    return found


def part_of(module):
    return module.split(".")[0]


def within(module, owner):
    return module == owner or module.startswith(owner + ".")


def wrong_parts(source, module):
    """Parts of the package that this module imports and may not.

    A name taken from the root of the package would hide where it comes from, so it is wrong too.
    """
    here = part_of(module)
    used = {name.split(".")[1] for name in imported(source, module) if name.startswith("scentlab.")}
    return used - MAY_IMPORT[here] - {here, "__version__"}


def wrong_libraries(source, module):
    """Outside libraries that this module imports and does not own."""
    used = {name.split(".")[0] for name in imported(source, module)}
    return {
        library
        for library in used & set(OWNERS)
        if not any(within(module, owner) for owner in OWNERS[library])
    }


@pytest.mark.parametrize("module", MODULES)
def test_a_module_imports_only_what_its_layer_may(module):
    assert part_of(module) in MAY_IMPORT, f"{module} has no place in the table of layers"
    assert wrong_parts(MODULES[module].read_text(), module) == set()


@pytest.mark.parametrize("module", MODULES)
def test_an_outside_library_is_imported_only_by_its_owner(module):
    assert wrong_libraries(MODULES[module].read_text(), module) == set()


@pytest.mark.parametrize("module", MODULES)
def test_only_declared_libraries_are_imported(module):
    used = {name.split(".")[0] for name in imported(MODULES[module].read_text(), module)}
    assert used <= SHARED | set(OWNERS) | set(sys.stdlib_module_names)


@pytest.mark.parametrize("module", MODULES)
def test_no_module_has_a_name_that_says_nothing(module):
    assert not set(module.split(".")) & VAGUE


def test_every_owner_and_layer_exists():
    names = set(MODULES)
    parts = {part_of(m) for m in names}
    assert set(MAY_IMPORT) == parts
    for library, owners in OWNERS.items():
        for owner in owners:
            assert any(within(m, owner) for m in names), f"{owner}, owner of {library}, is missing"


@pytest.mark.parametrize(
    ("module", "source", "parts", "libraries"),
    [
        ("maths.ordinal", "from scentlab.fitting.sweat import fit_sweat", {"fitting"}, set()),
        ("fitting.sweat", "from scentlab import choosing", {"choosing"}, set()),
        ("fitting.sweat", "from scentlab import plot", {"plot"}, set()),
        ("fitting.sweat", "from ..sharing import pictures", {"sharing"}, set()),
        ("recording.reading", "def f():\n    import sqlite3.dbapi2", set(), {"sqlite3"}),
        ("sharing.report", "from openpyxl import Workbook", set(), {"openpyxl"}),
        ("recording.spreadsheets", "from openpyxl import Workbook", set(), set()),
    ],
)
def test_the_check_itself_sees_what_it_should(module, source, parts, libraries):
    assert wrong_parts(source, module) == parts
    assert wrong_libraries(source, module) == libraries
