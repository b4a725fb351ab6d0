"""Pages that need no network: templates, their style and script, and files that appear whole."""

import base64
import datetime as dt
import functools
import hashlib
import json
import re
from importlib.resources import files
from pathlib import Path

import jinja2

from scentlab.files import table_beside, write_whole
from scentlab.units import shown

RULE_WORDS = table_beside(__file__, "rules.toml")


def render(name, **context):
    """A page from its template; text from outside is escaped, and the page's policy allows its own
    style sheet and script alone, each by its hash."""
    environment = _environment(shown().weight == "oz")
    css, script = environment.get_template("report.css.j2").render(), _source("report.js")
    return environment.get_template(name).render(
        made_on=dt.date.today().isoformat(), css=css, css_hash=_hash(css),
        script=script, script_hash=_hash(script), **context,
    ).lstrip()


def draw(template, **context):
    """A picture or several as a part of a page."""
    return _environment(shown().weight == "oz").get_template(template).render(**context).strip()


def _hash(text):
    return base64.b64encode(hashlib.sha256(text.encode("utf-8")).digest()).decode("ascii")


def fixed_text():
    return "\n".join(_source(name) for name in _names())


def write_page(path, what, make):
    """Write the page that ``make`` makes to ``path``, whole or not at all, and return the path."""
    path = place_for(path, what)  # before anything is made
    return write_whole(path, make())


def place_for(path, what):
    path = Path(path)
    if not path.parent.is_dir():
        raise FileNotFoundError(
            f"{path.parent}: no such folder for {what}; make the folder or give another path"
        )
    if path.is_dir():
        raise IsADirectoryError(f"{path} is a folder; give the name of a file in it for {what}")
    return path


@functools.cache
def _environment(in_oz):
    environment = jinja2.Environment(
        loader=jinja2.DictLoader({name: _source(name) for name in _names()}),
        autoescape=True, undefined=jinja2.StrictUndefined, trim_blocks=True, lstrip_blocks=True,
    )
    environment.globals["in_oz"] = in_oz
    return environment


def _names():
    folder = files("scentlab.sharing")
    return sorted(f.name for f in folder.iterdir() if f.name.endswith((".j2", ".js")))


def _source(name):
    return (files("scentlab.sharing") / name).read_text(encoding="utf-8")


def file_name(title):
    """A title as a name: lower-case letters, digits, dot, dash, underscore."""
    return re.sub(r"[^a-z0-9._-]+", "-", title.lower()).strip("-._")[:60] or "series"


def to_json(data):
    """Plain data as JSON bytes; NaN is refused."""
    return json.dumps(data, ensure_ascii=False, indent=1, allow_nan=False).encode("utf-8")
