"""A batch to sell: what to weigh at a load, and the whole piece against its limits."""

import json
import re
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pandas as pd

from scentlab.amounts import read_weight
from scentlab.files import write_whole
from scentlab.materials import Blend, Fragrance, Refusal, Wax
from scentlab.planning.plan import Plan
from scentlab.planning.refusal import count_of, need, need_above_zero, need_fields, need_whole
from scentlab.planning.rules import TEXTS, Pouring
from scentlab.planning.weights import dye_weight, melt_weights, pour_weights, wax_portion
from scentlab.units import (
    GRAMS_PER_OUNCE,
    content_from_load,
    load_from_weights,
    say_grams,
    say_load_oz,
    say_percent_of_wax,
    say_weight,
    shown,
)

RECIPE_NAME = "recipe.json"


@dataclass(frozen=True)
class Recipe:
    """How a piece is finished and packed.

    Parameters
    ----------
    piece_g : float or None, base (wax and fragrance) of a piece, g, by its label.
    pieces : int, pieces a pack. overfill_pct : float, base filled above the label, % of it.
    waste_pct : float, what stays in the pot, % of what is poured.
    topping_g : float, g a piece. topping_wax : str, its name. topping_load_pct : float, its load of
        the same fragrance, g per 100 g of its wax. topping_limit_pct : float or None, the highest
        load by the topping wax's maker. A topping with another fragrance needs its own check.
    decoration_g : float, g a piece of what holds no fragrance. decoration : str, what it is.

    Raises
    ------
    PlanError for what cannot be.

    >>> round(Recipe(20.0, topping_g=5.0).content_pct(10.0), 2)
    7.27
    """

    piece_g: float | None = None
    pieces: int = 1
    overfill_pct: float = 0.0
    waste_pct: float = 5.0
    topping_g: float = 0.0
    topping_wax: str = ""
    topping_load_pct: float = 0.0
    topping_limit_pct: float | None = None
    decoration_g: float = 0.0
    decoration: str = ""

    def __post_init__(self):
        need_fields(self)
        need(self.piece_g or not (self.topping_g or self.decoration_g),
             "a topping or decoration needs the weight of the piece below it",
             "give piece_g, the base of a piece in g", field="piece_g")

    @property
    def base_g(self) -> float | None:
        """Wax and fragrance of the base as filled, g a piece."""
        return None if self.piece_g is None else self.piece_g * (1.0 + self.overfill_pct / 100.0)

    @property
    def finished(self) -> bool:
        """Whether anything is on the base."""
        return bool(self.topping_g or self.decoration_g)

    def content_pct(self, load_pct: float) -> float:
        """Fragrance in the whole piece, g in 100 g, with this load in the base (% of wax)."""
        base = self.base_g
        if base is None or not self.finished:
            return content_from_load(load_pct)
        parts = ((base, load_pct), (self.topping_g, self.topping_load_pct))
        fragrance = sum(g * content_from_load(load) / 100.0 for g, load in parts)
        return 100.0 * fragrance / (base + self.topping_g + self.decoration_g)


def recipe_here(folder):
    """The recipe kept in a series folder; plain pieces where none is."""
    path = Path(folder) / RECIPE_NAME
    if not path.is_file():
        return Recipe()
    try:
        return Recipe(**json.loads(path.read_text(encoding="utf-8")))
    except (ValueError, TypeError) as problem:
        raise Refusal(f"the recipe in {path} cannot be used ({problem})",
                      "take the file out of the folder and enter the recipe again") from problem


def sold_already(folder):
    """Whether a batch was made of a series: its recipe is kept, or its sheet written."""
    folder = Path(folder)
    return (folder / RECIPE_NAME).is_file() or any(folder.glob("exports/batch*.html"))


def keep_recipe(recipe, folder):
    """Keep a recipe in a series folder, whole or not at all; returns the path of the file."""
    return write_whole(Path(folder) / RECIPE_NAME, json.dumps(asdict(recipe), indent=1) + "\n")


@dataclass(frozen=True)
class Batch:
    """What to weigh, in g, and what is ``known`` of the load. ``waxes`` : pairs of name and g;
    ``topping`` : (wax g, fragrance g). ``lines``, ``warnings`` : what to know of it."""

    blend: Blend
    fragrance: Fragrance
    recipe: Recipe
    pouring: Pouring
    known: Any
    waxes: tuple
    fragrance_g: float
    dye_g: float
    pieces: int
    packs: int
    topping: tuple
    lines: tuple
    warnings: tuple
    title: str = ""
    invented: bool = False

    @property
    def wax_g(self) -> float:
        return sum(g for _, g in self.waxes)

    @property
    def cautions(self) -> tuple:
        """Those that this piece asks for beside the cautions of every sheet."""
        return tuple(said["words"] for said in TEXTS["finish"]
                     if not said["of"] or getattr(self.recipe, said["of"]))

    @property
    def for_words(self) -> str:
        """What the batch fills, such as '40 packs of 6 pieces of 15.0 g (0.53 oz)'."""
        over, each = self.recipe.overfill_pct, self.recipe.pieces
        many = count_of(self.pieces, "piece") if each == 1 else (
            f"{count_of(self.packs, 'pack')} of {each} pieces")
        return f"{many} of {say_weight(self.recipe.piece_g)}" + (
            f", filled {over:g} % over" if over else "")

    @property
    def file_name(self) -> str:
        """Of its sheet; that of a typed load lies beside the one of the recommended load."""
        name = re.sub(r"[^\w-]+", "-", self.blend.name).strip("-") or "blend"
        if not self.known.recommended:
            load = say_percent_of_wax(self.known.load_pct).replace("%", "percent")
            name += "-" + re.sub(r"[^\w.]+", "-", load)
        return f"batch-{name}.html"

    @property
    def sentence(self) -> str:
        return (f"{self.blend.name} at {say_load_oz(self.known.load_pct, sold=True)}: "
                f"{say_weight(self.wax_g, total=True)} of wax and {say_grams(self.fragrance_g)} of "
                f"fragrance, for {self.for_words}. {' '.join((*self.warnings, *self.lines))}")


def read_much(text):
    """How much is to be made as people write it ("40 packs", "1 kg"), as make_batch takes it."""
    packs = re.fullmatch(r"\s*(\d+)\s*packs?\s*", text, re.IGNORECASE)
    return {"packs": int(packs[1])} if packs else {"wax_g": read_weight(text)}


def make_batch(
    known: Any, plan: Any, *, packs: int | None = None, wax_g: float | None = None,
    recipe: Recipe | None = None,
) -> Batch:
    """What to weigh for so many packs, or with so much wax.

    Parameters
    ----------
    known : the load of a blend, as ``scentlab.known_load`` gives it of an analysis.
    plan : Plan with the blend and its fragrance.
    packs : int, whole packs to fill. wax_g : float, g of wax to use. One of the two.
    recipe : Recipe; None takes the plan's piece, plain, one a pack.

    Returns
    -------
    Batch, in whole steps of scales in the units that are shown: wax 1 g or 0.1 oz, fragrance
    rounded down to 0.1 g or 0.01 oz, so that it is never above the load.

    Raises
    ------
    PlanError where nothing can be weighed, both amounts are given or none.

    >>> from scentlab.planning.quick import quick_plan
    >>> plan = quick_plan(Wax("soft wax"), Fragrance("fig"), [6, 9], start="2026-12-01", seed=1)
    >>> load = SimpleNamespace(blend="soft wax", load_pct=9.375, recommended=True, as_sold="",
    ...                        sold_sweats=False)
    >>> batch = make_batch(load, plan, wax_g=453.59)
    >>> batch.wax_g, batch.fragrance_g
    (454, 42.5)
    """
    recipe = recipe or Recipe()
    if recipe.piece_g is None:
        recipe = replace(recipe, piece_g=plan.piece_g or GRAMS_PER_OUNCE)
    need((packs is None) != (wax_g is None), "a batch is for packs or for an amount of wax",
         "give one of the two, such as 40 packs or 1 lb of wax", field="packs", value=packs)
    blend, load, scale = plan.blend(known.blend), known.load_pct, shown().weight
    if packs is not None:
        pieces = need_whole(packs, "packs", 1, 100000) * recipe.pieces
        wax, fragrance_g = pour_weights(pieces, recipe.base_g, load, recipe.waste_pct, scale)
    else:
        wax, fragrance_g = wax_portion(need_above_zero(wax_g, "wax_g", 100000, "g"), load, scale)
        pieces = int((wax + fragrance_g) / (1 + recipe.waste_pct / 100) / recipe.base_g + 1e-9)
        packs = pieces // recipe.pieces
    topping = (0.0, 0.0)
    if recipe.topping_g and pieces:
        topping = pour_weights(pieces, recipe.topping_g, recipe.topping_load_pct, recipe.waste_pct,
                               scale)
    lines, warnings = _against_limits(blend, plan.fragrance, recipe, load, (wax, fragrance_g),
                                      topping)
    if known.sold_sweats:
        warnings = (f"Not for sale as it is: {known.as_sold}", *warnings)
    elif recipe.finished or known.as_sold:
        lines = (*lines, known.as_sold or "No piece was tested as sold. Cast some fully finished "
                                          "beside plain ones from the same pot, grade both, and "
                                          "import them with “as sold” in the column finish.")
    warnings = warnings if known.recommended else (" ".join(known.words), *warnings)
    return Batch(
        blend, plan.fragrance, recipe, plan.pouring, known,
        tuple(melt_weights(wax, 0.0, blend.fractions, scale).items()), fragrance_g,
        dye_weight(wax, plan.pouring.dye_pct, scale), pieces, packs, topping, lines, warnings,
        plan.title, plan.invented,
    )


def materials_of(series):
    """The plan of a series; where it has none, what its records say of blends and fragrance, and
    how its test batches were poured, in the middle."""
    if series.plan:
        return Plan.from_dict(series.plan)
    content = pd.to_numeric(series.blends["limit_content_pct"]).min()
    pours = series.pours
    blends = {r.blend: Blend(r.blend, {Wax(r.blend, **_as_poured(
        pours[pours["blend"] == r.blend], "add_temp_c", "pour_temp_c")): 1.0},
        own_limit_load_pct=_known(r.limit_load_pct)) for r in series.blends.itertuples()}
    return SimpleNamespace(
        title=series.title, invented=series.invented, piece_g=series.piece_g,
        pouring=Pouring(**_as_poured(pours, "stir_min")),
        fragrance=Fragrance(series.fragrance or "fragrance", limit_content_pct=_known(content)),
        blend=blends.__getitem__)


def _as_poured(pours, *names):
    middle = pours[list(names)].apply(pd.to_numeric).median().dropna()
    return middle.round(1).to_dict()


def _known(number):
    return None if pd.isna(number) else float(number)


def _against_limits(blend, fragrance, recipe, load, base, topping):
    """What a load is against the limits: sentences, and those that are warnings. What a piece holds
    is that of the wax and fragrance (g) that are weighed for ``base`` and ``topping``."""
    said, warned = [], []
    weighed, above = (load_from_weights(g, wax) if wax else 0.0 for wax, g in (base, topping))
    content = replace(recipe, topping_load_pct=above).content_pct(weighed)
    base = content_from_load(weighed)
    whole = "the whole piece, with everything on it" if recipe.finished else "the finished piece"
    limit = fragrance.limit_content_pct
    if limit is None:
        said.append(f"Fragrance: {content:.2f} % of {whole}. Its regulatory limit is not known: "
                    "look it up before selling.")
    else:
        over = content > limit + 1e-9
        (warned if over else said).append(
            f"Fragrance: {content:.2f} % of {whole}; the regulatory limit is {limit:g} %"
            + (": over the limit, not for sale." if over else "."))
        if base > limit + 1e-9 >= content:
            warned.append(f"The base alone has {base:.2f} %, over that limit: ask whoever assesses "
                          "your product whether the whole piece counts.")
    for part, own, most in (("base", load, blend.limit_load_pct),
                            ("topping", recipe.topping_load_pct, recipe.topping_limit_pct)):
        if part == "topping" and not recipe.topping_g:
            continue
        if most is None:
            said.append(f"The wax maker's limit of the {part} is not known.")
        elif own > most + 1e-9:
            warned.append(f"The {part}, {say_load_oz(own, sold=True)}, is over its wax maker's "
                          f"limit of {say_load_oz(most)}: for testing only, not for sale, until "
                          "the maker agrees.")
        else:
            said.append(f"The {part}'s wax maker allows up to {say_load_oz(most)}.")
    return tuple(said), tuple(warned)
