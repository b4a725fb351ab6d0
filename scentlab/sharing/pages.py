"""Pages that need no network: templates, pictures inside, and files that appear whole."""

import base64
import datetime as dt
import os
import tempfile
from importlib.resources import files
from pathlib import Path

import jinja2

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
    write_whole(path, text.encode("utf-8"))
    return path


def place_for(path, what):
    """The path, if its folder is there: worth asking before anything is made."""
    path = Path(path)
    if not path.parent.is_dir():
        raise FileNotFoundError(
            f"{path.parent}: no such folder for {what}; make the folder or give another path"
        )
    return path


def write_whole(path, data):
    """Write bytes beside ``path`` first and move them there, so that no half file is ever seen."""
    handle, name = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}.")
    try:
        with os.fdopen(handle, "wb") as out:
            out.write(data)
            out.flush()
            os.fsync(out.fileno())
        # A temporary file is private; what is written gets the rights any new file would have.
        umask = os.umask(0)
        os.umask(umask)
        os.chmod(name, 0o666 & ~umask)
        os.replace(name, path)
    except BaseException:
        Path(name).unlink(missing_ok=True)
        raise


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
