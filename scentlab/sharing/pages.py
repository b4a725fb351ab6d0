"""Pages that need no network: templates, pictures inside, and files that appear whole."""

import base64
import datetime as dt
from importlib.resources import files
from pathlib import Path

import jinja2

from scentlab.files import write_whole
from scentlab.sharing.pictures.drawing import in_words, picture


def render(name, **context):
    """The page of a template of this package; text from outside is escaped."""
    today = dt.date.today().isoformat()
    return _environment().get_template(name).render(made_on=today, **context)


def fixed_text():
    """The text that stands in the templates, in one piece."""
    return "\n".join(_source(name) for name in _names())


def image(ax, caption=""):
    """A picture for a page: its data, its content in words, and a caption."""
    data = base64.b64encode(picture(ax)).decode("ascii")
    return {"source": f"data:image/svg+xml;base64,{data}", "alt": in_words(ax), "caption": caption}


def write_page(text, path, what):
    """Write a page to ``path``, whole or not at all, and return the path."""
    path = place_for(path, what)
    return write_whole(path, text)


def place_for(path, what):
    """The path, if its folder is there: worth asking before anything is made."""
    path = Path(path)
    if not path.parent.is_dir():
        raise FileNotFoundError(
            f"{path.parent}: no such folder for {what}; make the folder or give another path"
        )
    return path


def _environment():
    return jinja2.Environment(
        loader=jinja2.DictLoader({name: _source(name) for name in _names()}),
        autoescape=True, undefined=jinja2.StrictUndefined, trim_blocks=True, lstrip_blocks=True,
    )


def _names():
    folder = files("scentlab.sharing")
    return sorted(f.name for f in folder.iterdir() if f.name.endswith(".html.j2"))


def _source(name):
    return (files("scentlab.sharing") / name).read_text(encoding="utf-8")
