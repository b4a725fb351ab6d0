"""The frame of every form: its message, saving and undo, and its part in the browser.

A form catches its own errors and shows them, for an exception in a click callback never reaches
anybody. In the browser a small part of our own (``pages/form.js``) keeps the notebook's
single-key commands away from the form, takes the keys 0 to 4 for grades and 0 to 10 for throw, and
says NOT SAVED when the kernel does not answer a tap that was to save. Without a browser a form is
driven by ``.click()``.
"""

import contextlib
import datetime as dt
import html
import sys
import uuid
from pathlib import Path

import anywidget
import ipywidgets as w
import traitlets

from scentlab.forms.fields import (
    Chooser,
    Field,
    NotYet,
    fill,
    make_button,
    note,
    plain_html,
    show_if,
    text_column,
)
from scentlab.recording.draft import DraftError
from scentlab.recording.store import RefusedError

PAGES = Path(__file__).parent / "pages"
STYLE = f"<style>{(PAGES / 'form.css').read_text(encoding='utf-8')}</style>"


def hold_all():
    """Let the kernel hold all that a page is made of until the browser has it.

    A page is a thousand messages at once; beyond 1,000 the kernel's socket would drop the rest
    without a word, so that parts of a form would be missing.
    """
    shell = getattr(sys.modules.get("IPython"), "get_ipython", lambda: None)()
    socket = getattr(getattr(shell, "kernel", None), "iopub_socket", None)
    thread = getattr(socket, "io_thread", None)
    if thread is not None:
        thread.schedule(lambda: setattr(thread.socket, "sndhwm", 0))


hold_all()


class BrowserPart(anywidget.AnyWidget):
    """The part of a form that runs in the browser; it speaks for the buttons.

    ``names`` maps the name of a control to its label for screen readers, ``pressed`` lists the
    buttons that are on, ``since`` is when the warmer went on (ms since 1970) or 0.
    """

    _esm = (PAGES / "form.js").read_text(encoding="utf-8")
    names = traitlets.Dict().tag(sync=True)
    pressed = traitlets.List().tag(sync=True)
    since = traitlets.Float(0).tag(sync=True)


class KitchenTimer(anywidget.AnyWidget):
    """A timer that runs in the browser and outlasts what is shown beside it: ``minutes`` are
    offered, ``now`` is what it would be begun with, ``ends`` is when it ends (ms since 1970, 0
    while it stands) and ``what`` it was begun with."""

    _esm = (PAGES / "timer.js").read_text(encoding="utf-8")
    minutes = traitlets.Float(2).tag(sync=True)
    now = traitlets.Unicode().tag(sync=True)
    ends = traitlets.Float(0).tag(sync=True)
    what = traitlets.Unicode().tag(sync=True)


class Form(w.VBox):
    """What all forms share: a message line, saving with its error shown, undo, the browser part.

    ``on_save(row)`` gives a receipt; the row has a unique ``key``, so that a resend stores nothing
    twice. ``on_undo(receipt)`` voids the entry. ``slow`` names the buttons whose work takes longer
    than the browser waits for an answer. ``on_seen()`` is called when a page is seen again.
    """

    slow, stores, on_seen = (), True, None

    def __init__(self, on_save=None, on_undo=None):
        super().__init__(_dom_classes=["scent-form"])
        self.browser = BrowserPart()
        self.browser.on_msg(lambda _, content, __: self._heard(content))
        self._heard_keys, self._controls, self._saved, self._doubts = [], {}, [], []
        self._left = []  # name, text as sent with the last tap, text after it
        self._on_save, self._on_undo = on_save, on_undo
        self._key = uuid.uuid4().hex
        self.message = plain_html(css=["scent-message"])
        self.undo = self._button("Undo the last one", "undo", self._undo_last, saves=True)
        show_if(False, self.undo)

    def _lay_out(self, *children):
        """Show the children between style and browser part, and name what they hold."""
        self.children = [plain_html(STYLE), *children, self.browser]
        self._refresh()

    def _button(self, words, name, action, saves=False):
        button = make_button(words, name, saves)
        button.on_click(lambda _: self._guarded(action))
        return button

    def _chooser_of(self, name, options, action, value=None, title=""):
        return Chooser(name, options, lambda _: self._guarded(action), value, title)

    def _offer(self, kind, names, take):
        """A list of what the shelf has of a kind, or nothing; ``take(name)`` is called for a
        choice."""
        if not names:
            return []
        words = {name: name for name in names}
        field = Field(f"shelf-{kind}", text_column(kind, f"{kind} from the shelf"), short=True,
                      options={"": "choose"} | words)

        def taken():
            name, field.box.value = field.box.value, ""
            if name:
                take(name)

        self._watch([field], taken)
        return [field]

    def _refresh(self):
        """Name the buttons and fields there are now, and tell the browser which ones are on."""
        self._controls = dict(named_controls(self.children))
        self.browser.names = {name: getattr(control, "tooltip", None) or control.description
                              for name, control in self._controls.items()}
        self.browser.pressed = [name for name, control in self._controls.items()
                                if getattr(control, "on", False)]

    def _heard(self, content):
        """A tap in the browser: act once per key, and acknowledge it each time it comes."""
        if content.get("seen"):
            return self.on_seen and self._guarded(self.on_seen)
        if "acked" in content:
            return self._clear_late()
        key = str(content.get("key", ""))
        if key not in self._heard_keys:
            self._heard_keys = [*self._heard_keys[-99:], key]
            # What was typed may still be on its way as a change of its own.
            typed = [(name, text) for name, text in content.get("fields", {}).items()
                     if name in self._controls]
            for name, text in typed:
                self._controls[name].value = text
            self._key = key
            if content.get("press") in self.slow:
                self.browser.send({"ack": key})
            button = self._controls.get(content.get("press"))
            if button is not None and not button.disabled:
                button.click()
                self._refresh()
            self._left = [(name, text, self._controls[name].value) for name, text in typed
                          if name in self._controls]
        self.browser.send({"ack": key})

    def _clear_late(self):
        """What was typed before a tap comes after it where the kernel was busy: the next card is
        not to have it."""
        for name, typed, left in self._left:
            if name in self._controls and self._controls[name].value == typed != left:
                self._controls[name].value = left
        self._left = []

    def _guarded(self, action):
        """Run a callback; show what went wrong, for nobody else would."""
        try:
            action()
        except Exception as error:
            self._refuse(error)
        finally:
            self._refresh()

    def _refuse(self, error):
        if self.stores:
            self._say("error", f"NOT SAVED. {error}")
        else:
            self.message.value = note_of(error)

    def _fill_again(self, fields, draft):
        """Put into the fields what was typed before the page was loaded anew, and say so."""
        fill(fields, draft)
        if any(text for name, text in draft.items() if name in fields):
            self._say("flag", "Typed earlier and not saved: check it, then save.")

    @contextlib.contextmanager
    def _still_saying(self):
        """What was said of something stored stays, where the draft cannot be kept meanwhile."""
        said = self.message.value
        with contextlib.suppress(DraftError):
            yield
        self.message.value = said

    def _watch(self, fields, action):
        for field in fields:
            field.box.observe(lambda _: self._guarded(action), "value")

    def _store(self, row, words, place):
        """Save a row under the key of this entry; the key changes only when it is stored."""
        self._stored(self._on_save({**row, "key": self._key}), words, self._on_undo, place)

    def _stored(self, receipt, words, undo, place=None):
        """Say that something is stored; the undo button calls ``undo(receipt)``."""
        self._saved.append((receipt, words, undo, place))
        show_if(undo, self.undo)
        self._say("saved", f"Saved at {clock_of(receipt)}: {words}.")

    def _undo_last(self):
        receipt, words, undo, place = self._saved[-1]
        try:
            undo(receipt)
        except RefusedError:  # corrected or taken back elsewhere: those before can still be undone
            self._saved.pop()
            show_if(self._saved, self.undo)
            raise
        self._saved.pop()
        show_if(self._saved, self.undo)
        with self._still_saying():
            self._return_to(place)
        self._say("saved", f"Undone: {words}. The entry stays in the history as void.")

    def _is_sure(self, doubts, again="Tap Save again to store it, or correct it."):
        """Whether to go on: what is doubtful is asked about first, and stored by a second tap."""
        asked, self._doubts = self._doubts, doubts
        if doubts in ([], asked):
            return True
        self._say("flag", f"NOT SAVED YET. {' '.join(doubts)} {again}")
        return False

    def _say(self, kind, text):
        if kind == "saved":  # what is saved next is another entry
            self._key = uuid.uuid4().hex
        self.message.value = note(kind, text)


def heading(words):
    return w.HTML(f"<h3>{html.escape(words)}</h3>")


def paragraphs(lines):
    return "".join(f"<p>{html.escape(line)}</p>" for line in lines)


def listed(sentences, tag="ul", css=""):
    """Sentences as a list in HTML; '' for none."""
    lines = "".join(f"<li>{html.escape(str(words))}</li>" for words in sentences)
    return f'<{tag} class="{css}">{lines}</{tag}>' if lines else ""


def note_of(problem):
    """A line for what keeps a form from an answer: what is wrong, or only still missing."""
    return note("flag" if isinstance(problem, NotYet) else "error", problem)


def clock_of(receipt=None):
    """The time of day at which a receipt says that something was stored, or else now."""
    return getattr(receipt, "clock", None) or f"{dt.datetime.now():%H:%M:%S}"


def named_controls(children):
    """Name and control of every button and text field among the children and theirs."""
    for child in children:
        for css in getattr(child, "_dom_classes", ()):
            for start in ("scent-press-", "scent-field-"):
                if css.startswith(start):
                    yield css[len(start):], child
        yield from named_controls(getattr(child, "children", ()))


def as_widget(thing, words):
    """What a cell would show, as a widget; ``words`` name it for who cannot see it."""
    if isinstance(thing, w.Widget):
        return thing
    if hasattr(thing, "_repr_html_"):
        named = f' role="group" aria-label="{html.escape(words)}"' if words else ""
        return w.HTML(f'<div style="overflow-x:auto"{named}>{thing._repr_html_()}</div>')
    return w.HTML(f"<p>{html.escape(str(thing))}</p>")


def as_widgets(make, words=""):
    """What ``make()`` gives as widgets, or the reason why there is nothing to see: what one part
    cannot show must not keep the others from showing theirs."""
    try:
        found = make()
    except Exception as error:  # in a callback it would reach nobody
        return [w.HTML(STYLE + note_of(error))]
    found = found if isinstance(found, (list, tuple)) else [found]
    return [as_widget(thing, words) for thing in found]
