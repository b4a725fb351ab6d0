"""A guide as a notebook shows it: one folded line, which opens to the points."""

import html
from dataclasses import dataclass

from scentlab.guide.texts import GUIDES, Guide
from scentlab.recording.drawings import GRADE_WORDS, grade_svg


@dataclass(frozen=True, repr=False)
class ShownGuide:
    """A guide that a notebook shows folded; ``str()`` has the points as text."""

    guide: Guide

    def __repr__(self):
        points = "\n".join(f"- {text} [{source}]" for text, source in self.guide.points)
        return f"{self.guide.title}\n{points}"

    def _repr_html_(self):
        points = "".join(
            f'<li style="margin:0.3em 0">{html.escape(text)} '
            f'<span style="opacity:0.75">[{html.escape(source)}]</span></li>'
            for text, source in self.guide.points
        )
        grades = "".join(
            f'<figure style="margin:0;width:104px">{grade_svg(self.guide.topic, grade)}'
            f'<figcaption style="font-size:13px">{grade}: {html.escape(words)}</figcaption>'
            "</figure>"
            for grade, words in enumerate(GRADE_WORDS.get(self.guide.topic, ()))
        )
        return (
            '<details style="max-width:46em"><summary style="cursor:pointer;padding:0.4em 0">'
            f"<strong>{html.escape(self.guide.title)}</strong> (open to read)</summary>"
            f'<div style="display:flex;flex-wrap:wrap;gap:8px">{grades}</div>'
            f'<ul style="padding-left:1.2em">{points}</ul></details>'
        )


def show_guide(topic):
    """Show one short guide to the work, folded until it is opened.

    Parameters
    ----------
    topic : "pots", "pour", "sweat", "frost", "throw" or "confirm".

    Raises
    ------
    ValueError for another topic.

    >>> print(show_guide("frost").guide.title)
    How to look for frost
    """
    if topic not in GUIDES:
        raise ValueError(f"there is no guide to {topic!r}; there are {', '.join(GUIDES)}")
    return ShownGuide(GUIDES[topic])
