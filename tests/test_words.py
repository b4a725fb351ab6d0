"""What a maker reads is in the words of the trade, in short sentences."""

import re

import pytest
import textstat
from user_texts import prose, texts

from scentlab.guide.showing import GUIDES

# A word that a reader meets no more, and what is said instead. Code, columns and names in a code
# font keep theirs: they are what the files hold.
GONE = {
    r"told|tells?|telling": "say, show",
    r"stands?|standing": "is",
    r"so many|as kept|a hair": "a number, what is kept",
    r"capacit(?:y|ies)": "half-sweat load",
    r"ceilings?": "highest safe load",
    r"picks?|picked": "recommended load",
    r"sittings?": "session",
    r"assessors?": "tester",
    r"warm throw": "hot throw",
    r"at rest|after heat": "at room temperature, heat-cycled",
    r"latent units?": "hidden unit",
    r"(?:a|the|each|one|every|first|last|next|per|of) looks?": "inspection, grade",
}
# Place and beginning of a text that may keep one, with the reason.
ALLOWED = {
    ("scentlab/fitting/", "between assessors"): "such a name",
    ("scentlab/fitting/sweat.py", ""): "such names, and notes in the part for a statistician",
    ("scentlab/choosing/ceiling.py", ""): "notes in the part for a statistician",
    ("scentlab/panel/pages/panel.js", " + data.assessor"): "code between two texts",
    ("scentlab/recording/tables.py", "assessor, sitting"): "columns of the database",
}


def hits():
    for place, text in texts():
        text = re.sub(r"`[^`]*`|(?m:^\| [^|]*\|)", " ", text)  # code, and names of columns
        allowed = [start for file, start in ALLOWED if place.startswith(file)]
        if any(text.startswith(start) for start in allowed):
            continue
        for word, instead in GONE.items():
            for found in re.finditer(rf"(?<![\w/-])(?:{word})(?![\w-])", text, re.IGNORECASE):
                near = text[max(found.start() - 40, 0): found.end() + 40].replace("\n", " ")
                yield f"{place}: {found[0]!r} in …{near}… (say: {instead})"


def test_no_text_uses_a_word_that_is_gone():
    found = list(hits())
    assert not found, f"{len(found)} times:\n" + "\n".join(found)


def test_the_search_sees_strings_templates_notebooks_and_the_readme():
    places = {place.split(":")[0].split(",")[0] for place, _ in texts()}
    assert {"README.md", "notebooks/answer.ipynb", "scentlab/guide/guides.toml",
            "scentlab/sharing/report.html.j2", "scentlab/cli/series.py",
            "scentlab/forms/fields.toml", "scentlab/panel/pages/panel.js",
            "scentlab/panel/pages/panel.html"} <= places


@pytest.mark.parametrize("part", ["README.md", "report", "guides"])
def test_running_text_is_easy_to_read(part):
    """Flesch reading ease and words a sentence, as textstat counts them."""
    words = {
        "README.md": lambda: prose("README.md"),
        "report": lambda: prose("scentlab/sharing/report.html.j2"),
        "guides": lambda: [p["words"] for guide in GUIDES.values() for p in guide.points],
    }[part]()
    said = " ".join(words)
    assert len(said.split()) > 400
    assert textstat.flesch_reading_ease(said) >= 60
    assert textstat.lexicon_count(said) / textstat.sentence_count(said) <= 20


def test_a_hard_text_would_be_seen():
    hard = ("Notwithstanding considerable methodological heterogeneity, posterior uncertainty "
            "characterisation necessitates comprehensive multidimensional integration. ") * 5
    assert textstat.flesch_reading_ease(hard) < 20
