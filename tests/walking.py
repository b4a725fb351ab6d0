"""Walk over a page as a person does: open what is shut, read what is shown."""

from scentlab.screens.frame import Fold


def widgets(page):
    """A widget and all that it holds."""
    yield page
    for child in getattr(page, "children", ()):
        yield from widgets(child)


def open_folds(page):
    """Open every part of a page; the errors that are shown then."""
    for fold in [w for w in widgets(page) if isinstance(w, Fold)]:
        if not fold.is_open:
            fold.fold.click()
    return [w.value for w in widgets(page) if 'class="scent-error"' in str(getattr(w, "value", ""))]


def of_kind(page, name):
    """The first widget of a class."""
    return next(w for w in widgets(page) if type(w).__name__ == name)


def said(page):
    """All text that a page shows."""
    return "\n".join(str(w.value) for w in widgets(page) if hasattr(w, "value"))


def fields_in_sight(page):
    """The fields and choices that stand on a page before anything is opened."""
    if getattr(page.layout, "display", None) == "none":
        return []
    if type(page).__name__ in ("Field", "Chooser", "SelectionSlider"):
        return [page]
    return [f for child in getattr(page, "children", ()) for f in fields_in_sight(child)]
