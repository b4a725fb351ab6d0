"""One load test as the rest of the kit sees it: six tidy frames and what is known of the blends.

The recording stage reads a series from a store, :mod:`scentlab.simulate` makes one with a known
truth, and the fits take its frames. Nothing here opens a file or a database.
"""

from dataclasses import dataclass, field

import pandas as pd

from scentlab.units import content_from_load, load_from_weights

POUR_COLUMNS = (
    "pour",
    "pot",
    "blend",
    "poured_on",
    "wax_g",
    "fragrance_g",
    "load_pct",
    "content_pct",
    "planned_load_pct",
    "add_temp_c",
    "pour_temp_c",
    "stir_min",
    "room_temp_c",
    "note",
)
GRADE_COLUMNS = (
    "code",
    "pour",
    "pot",
    "blend",
    "load_pct",
    "pour_temp_c",
    "test",
    "stress",
    "age_days",
    "assessor",
    "grade",
)
THROW_COLUMNS = (
    "code",
    "pour",
    "pot",
    "blend",
    "load_pct",
    "assessor",
    "sitting",
    "kind",
    "minutes",
    "position",
    "works_with_fragrance",
    "throw",
)
BLEED_COLUMNS = (
    "code",
    "pour",
    "pot",
    "blend",
    "load_pct",
    "bleed_mg",
    "hours",
    "temp_c",
    "assessor",
)
WARMING_COLUMNS = (
    "code",
    "pour",
    "pot",
    "blend",
    "load_pct",
    "hours",
    "weight_g",
    "assessor",
    "throw",
)
BLEND_COLUMNS = (
    "blend",
    "composition",
    "limit_load_pct",
    "limit_content_pct",
    "wax_price_per_kg",
    "fragrance_price_per_kg",
)


def _no_bleeds():
    return pd.DataFrame(columns=list(BLEED_COLUMNS))


def _no_warmings():
    return pd.DataFrame(columns=list(WARMING_COLUMNS))


@dataclass(frozen=True)
class Series:
    """A load test with what was poured and what was seen.

    Attributes
    ----------
    title, fragrance : str
    pours : DataFrame, one row per pour, columns ``POUR_COLUMNS`` (loads in g per 100 g of wax).
    grades : DataFrame, one row per look, columns ``GRADE_COLUMNS``; ``test`` is sweat or frost.
    throws : DataFrame, one row per score, columns ``THROW_COLUMNS``.
    blends : DataFrame, one row per blend, columns ``BLEND_COLUMNS``; unknown limits are missing.
    fractions : DataFrame, wax fractions by weight, one row per blend (index) and column per wax;
        empty when the composition is not known.
    piece_g : float or None, mass of a piece in grams.
    currency : str, for the prices.
    plan : dict or None, the plan as data.
    invented : bool, True for made-up demonstration data, which is no evidence.
    bleeds : DataFrame, one row per weighed blotter, columns ``BLEED_COLUMNS``.
    warmings : DataFrame, one row per check of a piece left on the warmer, columns
        ``WARMING_COLUMNS``.
    """

    title: str
    fragrance: str
    pours: pd.DataFrame
    grades: pd.DataFrame
    throws: pd.DataFrame
    blends: pd.DataFrame
    fractions: pd.DataFrame = field(default_factory=pd.DataFrame)
    piece_g: float | None = None
    currency: str = ""
    plan: dict | None = None
    invented: bool = False
    bleeds: pd.DataFrame = field(default_factory=_no_bleeds)
    warmings: pd.DataFrame = field(default_factory=_no_warmings)

    def sweat(self):
        """The sweat looks (rows of ``grades``)."""
        return self.grades[self.grades["test"] == "sweat"].reset_index(drop=True)

    def frost(self):
        """The frost looks (rows of ``grades``)."""
        return self.grades[self.grades["test"] == "frost"].reset_index(drop=True)

    def __repr__(self):
        bleeds = f", {len(self.bleeds)} bleed weighings" if len(self.bleeds) else ""
        checks = f", {len(self.warmings)} checks on the warmer" if len(self.warmings) else ""
        return (
            f"Series({self.title!r}: {len(self.pours)} pours, {len(self.grades)} grades, "
            f"{len(self.throws)} throw scores{bleeds}{checks})"
        )


def tidy_pours(pours):
    """Pours with the loads that were really weighed and the columns of ``POUR_COLUMNS``."""
    pours = pours.copy()
    pours["load_pct"] = load_from_weights(pours["fragrance_g"], pours["wax_g"])
    pours["content_pct"] = content_from_load(pours["load_pct"])
    return pours.reindex(columns=list(POUR_COLUMNS))


def tidy_grades(looks, pours):
    """Looks in long form (code, pour, test, stress, age_days, assessor, grade) joined to pours."""
    return _joined(looks, pours, GRADE_COLUMNS, "pour_temp_c")


def tidy_throws(scores, pours):
    """Throw scores (with code and pour) joined to the loads of their pours."""
    return _joined(scores, pours, THROW_COLUMNS)


def tidy_bleeds(weighings, pours):
    """Blotter weighings (with code and pour) joined to the loads of their pours."""
    return _joined(weighings, pours, BLEED_COLUMNS)


def tidy_warmings(checks, pours):
    """Checks on the warmer (with code and pour) joined to the loads of their pours."""
    return _joined(checks, pours, WARMING_COLUMNS)


def _joined(rows, pours, columns, *more):
    """What was seen with what is known of its pour, in the columns of its frame."""
    keep = pours[["pour", "pot", "blend", "load_pct", *more]]
    if not rows.empty:
        rows = rows.merge(keep, on="pour", how="left", validate="many_to_one")
    return rows.reindex(columns=list(columns))
