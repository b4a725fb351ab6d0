"""What a workshop has learnt, on its start page."""

import re
import shutil

from walking import of_kind, said

from scentlab import cli
from scentlab.memory.proposing import memory_map
from scentlab.memory.remembering import remember
from scentlab.memory.saying import NO_SAFE_LOAD
from scentlab.recording.store import Store
from scentlab.screens import learnt
from scentlab.screens.frame import Fold
from scentlab.screens.start import start_page

TITLE = "What this workshop has learnt"


def fold_of(page):
    return next(w for w in page.children if isinstance(w, Fold) and TITLE in w._title)


def test_it_is_made_when_it_is_opened_and_says_what_the_command_says(workshop, tmp_path, capsys):
    folder = tmp_path / "mine"
    shutil.copytree(workshop, folder, ignore=shutil.ignore_patterns("memory"))
    fold = fold_of(start_page(folder))
    assert not fold.is_open and not (folder / "memory").exists()
    fold.fold.click()
    text = re.sub(r"\s+", " ", said(fold))
    assert cli.main(["workshop", str(folder)]) == 0
    printed = capsys.readouterr().out.split("\n\n")[0]
    for line in re.split(r"(?m)^\* ", printed)[1:]:
        assert " ".join(line.split()) in text
    assert NO_SAFE_LOAD in text
    table = memory_map(remember(folder))
    rows = re.findall(r"<td>([^<]*?)</td> <td>(.*?)</td> <td>(tested|guess)</td>", text)
    assert rows == [(r.wax, r.fragrance, r.state) for r in table.itertuples()]
    assert "To learn the most from one more series, pour" in text
    assert "as three test batches" in text
    assert "is not on the shelf: check its data sheet first." in text  # no plan names its limit


def test_the_bar_goes_from_none_to_all(workshop, monkeypatch):
    seen = []

    def watched(folder, progress):
        found = remember(folder, progress=progress)
        seen.extend((of_kind(fold, "IntProgress").value, of_kind(fold, "IntProgress").max))
        return found

    monkeypatch.setattr(learnt, "remember", watched)
    fold = fold_of(start_page(workshop))
    fold.fold.click()
    assert seen == [9, 9]


def test_a_workshop_without_grades_says_what_to_do(tmp_path):
    assert fold_of(start_page(tmp_path)).layout.display == "none"
    Store.create(tmp_path / "empty", title="Empty")
    fold = fold_of(start_page(tmp_path))
    assert fold.layout.display != "none"
    fold.fold.click()
    assert "grade one first" in said(fold)
