"""Short guides to the work: what to do at the bench, and where each piece of advice comes from.

A guide is a title and a few points; a point is what to do and its source. Where nobody has
published a measurement, the source says so.
"""

from dataclasses import dataclass

CUSTOM = "common practice, no source"
SUM = "arithmetic"
OWN = "this kit's simulated series"


@dataclass(frozen=True)
class Guide:
    """One guide: ``points`` are pairs of what to do and its source."""

    topic: str
    title: str
    points: tuple


POTS = Guide("pots", "How many pots, loads and pieces", (
    ("Pour two pots of each blend at least. Pour three where wax is cheap. Six pieces from one pot "
     "are not six tests: what went wrong in that pot is in all of them.",
     "Box 1996, steel bars of one furnace; see 6-published-experiments"),
    ("With one pot a blend instead of two, 17 of 100 blends had no answer instead of 3. The "
     "highest safe load was 2.3 instead of 1.1 points of load (% of wax) below the true one.", OWN),
    ("Take five or six loads. Start well below the wax maker's limit and end with one that surely "
     "sweats. Without sweat at the top there is no highest safe load to find.", CUSTOM),
    ("Give four pieces of each test batch to the sweat test. None of 4 sweated: that still allows "
     "a risk of 53 %, none of 8 for 31 % (95 % sure, one load alone). The other loads help.", SUM),
    ("Ask 8 testers or more to smell. A standard for odour intensity asks for at least 8 scores, "
     "each by itself.", "ASTM E544-18"),
    ("Keep a spare piece of each test batch, and one piece without scent.", CUSTOM),
))

POUR = Guide("pour", "How to pour so that only the load differs", (
    ("Weigh; never measure by volume. Take 16 g of fragrance in 200 g of wax. On a scale that "
     "shows 1 g the load is 7.75 to 8.25 % of wax. On one that shows 0.1 g it is 7.98 to 8.03 %.",
     SUM),
    ("Use the same add temperature, stirring and pour temperature for every pot. Write them down. "
     "Sources differ on the right heat, so follow the wax maker's sheet.", CUSTOM),
    ("Stir 2 minutes or longer once the fragrance is in. Cold fragrance or a short stir comes out "
     "again later, and looks like too much load.", CUSTOM),
    ("Let it set at 20 to 27 °C, away from draughts.", "a wax maker's technical note; " + CUSTOM),
    ("Keep everything that touches hot wax dry: water spits.", CUSTOM),
    ("Cure before you score, each piece as many days as the plan says. Soy takes 10 to 14 days, "
     "blends 7 to 10, paraffin 1 to 5.", CUSTOM),
))

SWEAT = Guide("sweat", "How to test for sweat", (
    ("At room temperature: keep each piece in its pack at 20 to 25 °C. Look after 7 and after 14 "
     "days.", CUSTOM),
    ("Heat cycle, for vans and windows in summer: 8 to 24 h at 30 to 40 °C, then back to 20 °C, 3 "
     "to 5 times. Stay about 10 °C below the melting point. Grade when the piece has cooled.",
     CUSTOM),
    ("Press a clean tissue on the face once, then look. The grades are this project's own; no "
     "scale is published.", "this project"),
    ("Drops can be water from a humid room. Water has no smell and dries off a tissue. Fragrance "
     "leaves a scented stain.", CUSTOM),
    ("Blotter: weigh it, lay the piece on it for the planned hours, weigh it again. Lay one under "
     "a piece without scent, since wax stains. Lay one under nothing, since paper takes up damp.",
     CUSTOM),
    ("A gain of 12.5 mg under a piece of 25 g at 10 % of wax is 0.55 % of its fragrance. What went "
     "into the air is not in the blotter.", SUM),
    ("What a wax holds depends on the fragrance too. The same wax holds another oil better or "
     "worse.", "Cokay & Ogutcu 2023, essential oils in wax gels"),
))

FROST = Guide("frost", "How to look for frost", (
    ("Look at the same face of the mould, with the same lamp from the side, at the same distance. "
     "A rough face alone looks whiter and less glossy.",
     "Briones, Aguilera & Brown 2006, on chocolate"),
    ("Grade by how much of the face is white. No scale for candle wax is published; the grades are "
     "this project's own.", "this project"),
    ("Look at the age at which you sell, and once more later. Frost goes on in storage.", CUSTOM),
    ("Keep the pieces dark and at one temperature, unless you test light or swings. Both are said "
     "to bring frost, as are fast cooling and long stirring.", CUSTOM),
    ("In chocolate the gloss fell within 30 days, faster when warm, before any bloom was seen. A "
     "piece that is clean today is no promise.", "Pastor et al. 2007"),
    ("White wax hides frost: pour a dyed piece beside it. The crystal pattern of palm wax is not "
     "frost.", CUSTOM),
))

THROW = Guide("throw", "How to smell", (
    ("Who lives with a scent smells it less. After two weeks at home the nose was duller to it, "
     "and still was two weeks later. Mark testers who work with the fragrance.",
     "Dalton & Wysocki 1996"),
    ("Keep one room, one warmer, one weight of wax, one place and one number of minutes. Where the "
     "air changes 0.5 times an hour, after 30 minutes it holds 22 % of the scent it comes to.",
     SUM + ", well-mixed room"),
    ("Rooms differ. Homes in three areas of the United States changed their air 0.47 to 0.88 times "
     "an hour (medians). Do not compare the scores of two rooms.", "Indoor Air 20:85, 2010"),
    ("Air the room between warm pieces. After 3 / (air changes an hour) hours 5 % of the scent is "
     "left, after 4.6 / (air changes an hour) 1 %.", SUM + ", well-mixed room"),
    ("Keep to the order in the plan, which differs from tester to tester, and to the blind codes. "
     "What was smelt before colours what comes next.", "ISO 4120:2021 on codes and carry-over"),
    ("Rest 1 to 3 minutes between cold pieces. Go out for 10 minutes after a warm one. Nobody has "
     "published a measured time.", CUSTOM),
    ("Cold throw is no guide to hot throw: other substances are in the air.",
     "Ahn et al. 2015, candles"),
))

CONFIRM = Guide("confirm", "Before you sell at the recommended load", (
    ("Pour it once more on another day, with another lot of wax. Let it go through the heat cycle.",
     CUSTOM),
    ("If the top loads sweat, pour one of them again with a hot addition and a long stir. If that "
     "piece stays dry, it was the stirring and not the load.", CUSTOM),
    ("Do not leave out an odd piece because it is odd. Say that it was there, or find out what "
     "happened to it.", CUSTOM),
    ("More fragrance gives little. From 6 to 10 % of wax the strength grows by a factor of 1.1 to "
     "1.5, if the air holds as much more.", "power law with exponents 0.2 to 0.8; " + SUM),
    ("A label and a safety data sheet go with the content you sell, in % of total. They follow "
     "local law and licensed practice.", "ECHA, guidance on candles, 2024"),
))

GUIDES = {g.topic: g for g in (POTS, POUR, SWEAT, FROST, THROW, CONFIRM)}
