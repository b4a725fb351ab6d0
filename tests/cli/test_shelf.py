"""The shelf from the terminal: typed once, taken by every later plan and batch."""

from scentlab.recording.shelf import read_shelf
from scentlab.recording.store import Store

LOADS = ("--loads", "1, 2 oz/lb")


def test_what_one_check_types_the_next_ones_take(run, tmp_path):
    code, out, _ = run("shelf", tmp_path)
    assert code == 0 and "Nothing is on the shelf yet" in out
    typed = ("--wax", "soft wax", "--oil", "fig", *LOADS, "--limit", "12 %", "--add", "85 C",
             "--wax-price", "8 / kg", "--currency", "EUR")
    assert run("quick", tmp_path / "fig", *typed)[0] == 0
    code, out, _ = run("quick", tmp_path / "cedar", "--wax", "Soft WAX", "--oil", "cedar", *LOADS)
    assert code == 0 and "From the shelf, unless you type otherwise: soft wax." in out
    plan = Store.open(tmp_path / "cedar").plan()
    wax = plan["blends"][0]["parts"][0]["wax"]
    assert (wax["name"], wax["limit_load_pct"], wax["add_temp_c"], plan["currency"]) == (
        "soft wax", 12, 85, "EUR")
    code, out, _ = run("plan", tmp_path / "rose", "--wax", "soft wax", "--oil", "rose", "--have",
                       "wax 3 kg, warmers 2, testers 2, evenings 6", "--take", "small")
    assert code == 0
    assert Store.open(tmp_path / "rose").plan()["blends"][0]["parts"][0]["wax"] == wax
    code, out, _ = run("shelf", tmp_path / "fig")  # of a series: that of its workshop
    for words in ("* wax soft wax: highest load 1.92 oz/lb (12.0 %) (plan: Quick check of fig in "
                  "soft wax); add at 85 °C", "; 3.63 EUR per lb; since ",
                  "* fragrance cedar, fig, rose ", "* tester A1, A2 "):
        assert words in " ".join(out.split()), words


def test_a_file_comes_in_and_a_wrong_one_leaves_all_as_it_was(run, tmp_path):
    here, there = tmp_path / "here", tmp_path / "there"
    here.mkdir()
    there.mkdir()
    (here / "list.csv").write_text("kind,name,lot,recommended_load_pct,recommended_source\n"
                                   "wax,palm wax,P-1,6.25,sheet 2\n")
    code, out, _ = run("shelf", here, "--import", here / "list.csv")
    assert code == 0 and "1 row of" in out and "6.25 % (1 oz/lb) (sheet 2)" in out
    assert "0 rows of" in run("shelf", here, "--import", here / "list.csv")[1]
    assert "1 row of" in run("shelf", there, "--import", here / "shelf.csv")[1]
    before = (there / "shelf.csv").read_bytes()
    (here / "list.csv").write_text("kind,name,lot,colour\nwax,rice wax,,white\n")
    code, _, err = run("shelf", there, "--import", here / "list.csv")
    assert code == 2 and "list.csv, row 1, column colour" in err and "Rename or delete" in err
    assert (there / "shelf.csv").read_bytes() == before


def test_a_recipe_is_typed_once(run, tmp_path, demo):
    import shutil

    for name in ("one", "two"):
        shutil.copytree(demo, tmp_path / name)
        (tmp_path / name / "recipe.json").unlink(missing_ok=True)
    code, _, err = run("batch", tmp_path / "one", "--packs", 40, "--recipe", "clam")
    assert code == 2 and "no recipe 'clam' is on the shelf" in err
    code, out, _ = run("batch", tmp_path / "one", "--packs", 40, "--recipe", "clam", "--pieces", 6,
                       "--piece", "15 g", "--topping", "3 g", "--topping-wax", "firm wax")
    assert code == 0 and "On the shelf: recipe clam." in out
    assert read_shelf(tmp_path).recipe("clam") == {
        "piece_g": "15.0", "pieces": "6", "topping_g": "3.0", "topping_wax": "firm wax"}
    code, out, _ = run("batch", tmp_path / "two", "--packs", 40, "--recipe", "Clam")
    assert code == 0 and "40 packs of 6 pieces of 15.0 g" in out
    assert (tmp_path / "two" / "recipe.json").read_bytes() == (
        tmp_path / "one" / "recipe.json").read_bytes()
