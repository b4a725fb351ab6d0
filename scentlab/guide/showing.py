"""Short guides to the work, of ``guides.toml``: one folded line, which opens to the points."""

import html
from dataclasses import dataclass

from scentlab.files import table_beside
from scentlab.recording.drawings import GRADE_WORDS, grade_svg
from scentlab.units import in_maker_units


@dataclass(frozen=True, repr=False)
class Guide:
    """A guide that a notebook shows folded: ``points`` are dicts of words and their source."""

    topic: str
    title: str
    points: tuple

    def _repr_html_(self):
        points = "".join(
            f'<li style="margin:0.3em 0">{html.escape(in_maker_units(p["words"]))} '
            f'<span style="opacity:0.75">[{html.escape(p["source"])}]</span></li>'
            for p in self.points
        )
        grades = "".join(
            f'<figure style="margin:0;width:104px">{grade_svg(self.topic, grade)}'
            f'<figcaption style="font-size:13px">{grade}: {html.escape(words)}</figcaption>'
            "</figure>"
            for grade, words in enumerate(GRADE_WORDS.get(self.topic, ()))
        )
        return (
            '<details style="max-width:46em"><summary style="cursor:pointer;padding:0.4em 0">'
            f"<strong>{html.escape(self.title)}</strong> (open to read)</summary>"
            f'<div style="display:flex;flex-wrap:wrap;gap:8px">{grades}</div>'
            f'<ul style="padding-left:1.2em">{points}</ul></details>'
        )


GUIDES = {t: Guide(t, **data) for t, data in table_beside(__file__, "guides.toml").items()}
