"""How something made for others, or come from them, shows itself in a notebook."""

import html

from scentlab.results import shown


class Shown:
    """Shows its ``sentence``, the ``notices`` of what is held back and its ``table``."""

    def __repr__(self):
        return f"<{type(self).__name__}: {self.sentence}>"

    def _repr_html_(self):
        notices = "".join(f"<li>{html.escape(n)}</li>" for n in self.notices)
        return (
            f"<p><strong>{html.escape(self.sentence)}</strong></p>"
            + (f"<ul>{notices}</ul>" if notices else "")
            + shown(self.table).to_html(index=False, border=0)
        )
