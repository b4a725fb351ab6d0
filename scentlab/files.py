"""Files written whole or not at all, whatever happens meanwhile, and tables beside the code."""

import errno
import html
import os
import re
import shlex
import tempfile
import tomllib
from pathlib import Path

ROOT_VARIABLE = "SCENTLAB_LAB_ROOT"  # names the folder that a lab started by the kit shows
# The kit's own notebooks, one a stage, in the order of the work, with what each is called.
PAGES = {"start": "Start", "plan": "Plan", "pour": "Pour", "score": "Score", "answer": "Answer",
         "share": "Share"}
PAGE_NAMES = tuple(f"{name}.ipynb" for name in (*PAGES, "quick", "in-python"))
_PACKAGE = Path(__file__).parent


def shipped(name):
    """A folder that travels with the package: beside it in a checkout, inside it in a wheel."""
    for folder in (_PACKAGE / name, _PACKAGE.parent / name):
        if folder.is_dir():
            return folder
    raise FileNotFoundError(f"scentlab's folder {name} is missing; reinstall scentlab")


def in_lab(path):
    """A path as that lab knows it; None outside of one, or of a file that it does not show.

    >>> in_lab("exports/labels.html") is None
    True
    """
    root = os.environ.get(ROOT_VARIABLE)
    inside = root and Path(os.path.relpath(Path(path).resolve(), root)).as_posix()
    return None if not inside or inside.startswith("..") else inside


def file_link(path, words):
    """A file as a link that opens it in a browser tab of its own, or its words and place."""
    inside, words = in_lab(path), html.escape(words)
    if inside is None:
        return f"{words}: {html.escape(str(path))}"
    return f'<a href="#" data-scentlab-file="{html.escape(inside)}">{words}</a>'


def link_html(page, words, folder, here=False):
    """A link to a page of the kit for the series in a folder; outside the kit's lab it names the
    notebook."""
    words = html.escape(words)
    if here:
        return f'<b aria-current="page">{words}</b>'
    place = in_lab(Path(folder) / f"{page}.ipynb") or f"{page}.ipynb"
    return f'<a href="{page}.ipynb" data-scentlab-page="{html.escape(place)}">{words}</a>'


def page_links(folder, here=""):
    """Links to all pages of a series, ``here`` is the open one; first to those of its workshop."""
    above = [link_html("start", "All series", Path(folder).resolve().parent)]
    return above * (in_lab(folder) not in (None, ".")) + [
        link_html(page, words, folder, here=page == here)
        for page, words in (PAGES | {"start": "This series"}).items()]


def write_whole(path, data, *, private=False):
    """Write text or bytes beside ``path`` and move it there, so that no half file is ever seen;
    where it cannot be written (OSError), what was there before is as it was.

    The file gets the rights that any new one would have; ``private`` keeps it to its owner.
    """
    path = Path(path)
    place = path.resolve()  # a link stays one
    data = data.encode("utf-8") if isinstance(data, str) else data
    handle, beside = tempfile.mkstemp(dir=place.parent, prefix=f".{place.name}.")
    try:
        with os.fdopen(handle, "wb") as out:
            out.write(data)
            out.flush()
            os.fsync(out.fileno())
        if not private:  # as a temporary file is
            umask = os.umask(0)
            os.umask(umask)
            os.chmod(beside, 0o666 & ~umask)
        os.replace(beside, place)
    except BaseException:
        Path(beside).unlink(missing_ok=True)
        raise
    return path


def why_not(error):
    """What keeps a file from being read or written, with the remedy where one is known.

    >>> why_not(OSError(errno.ENOSPC, "No space left on device", "a/report.html"))
    'the disk of a is full; nothing was half written. Make room and try again'
    """
    if isinstance(error, UnicodeError):
        return ("a name or word has signs that are no UTF-8. Rename the folder or file, or set the "
                "terminal to UTF-8")
    if isinstance(error, MemoryError):
        return "this computer has too little free memory. Close other programs and try again"
    folder = Path(error.filename).parent if isinstance(error.filename, str) else "the folder"
    if error.errno in (errno.ENOSPC, errno.EDQUOT, errno.EFBIG):
        return (f"the disk of {folder} is full; nothing was half written. Make room and try again")
    if error.errno in (errno.EROFS, errno.EACCES, errno.EPERM):
        return (f"{folder} cannot be written to or read. Give yourself permission, or work in a "
                "folder of your own")
    return str(error)


def quoted(path):
    """A path or word as the terminal takes it; one that begins with a dash is no option.

    >>> quoted("-fig"), quoted("my fig")
    ('./-fig', "'my fig'")
    """
    words = f".{os.sep}{path}" if str(path).startswith("-") else str(path)
    if os.name == "nt":
        return f'"{words}"' if re.search(r"[^\w.:\\-]", words) else words
    return shlex.quote(words)


def table_beside(module, name):
    """The data of a TOML file beside a module, by the module's ``__file__``."""
    return tomllib.loads((Path(module).parent / name).read_text(encoding="utf-8"))
