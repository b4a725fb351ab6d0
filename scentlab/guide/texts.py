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
    ("Two pots of each blend are the least; three are better where wax is cheap. Six pieces from "
     "one pot are not six tests: whatever went wrong in that pot is in all of them.",
     "Box 1996, steel bars of one furnace; see 6-published-experiments"),
    ("With one pot a blend instead of two, 10 of 100 blends had no answer instead of 3, and the "
     "ceiling lay 1.7 instead of 1.1 points of load (% of wax) below the true load.", OWN),
    ("Five or six loads, from well below the wax maker's limit to one that surely sweats. A "
     "ceiling can be found only where something sweats.", CUSTOM),
    ("Four pieces a pour for sweat. That none of 4 sweats still leaves room for a risk of 53 %, "
     "none of 8 for 31 % (95 % confidence, one load alone): the fit needs the neighbouring loads.",
     SUM),
    ("Smelling: 8 assessors or more. A standard for odour intensity asks for at least 8 "
     "independent scores.", "ASTM E544-18"),
    ("Keep a reserve piece of each pour, and one unscented piece.", CUSTOM),
))

POUR = Guide("pour", "How to pour so that only the load differs", (
    ("Weigh, never measure by volume. On a scale that shows 1 g, 16 g of fragrance in 200 g of "
     "wax is a load of 7.75 to 8.25 % of wax; on one that shows 0.1 g, 7.98 to 8.03 %.", SUM),
    ("Same add temperature, same stirring, same pour temperature for every pot; write down what "
     "it was. Advice on temperatures differs from source to source, so follow the wax maker's "
     "sheet.", CUSTOM),
    ("Stir 2 minutes or longer after the fragrance is in. Fragrance that was added cold, or "
     "stirred briefly, comes out again and looks like too much load.", CUSTOM),
    ("Set at 20 to 27 °C, away from draughts.", "a wax maker's technical note; " + CUSTOM),
    ("Everything that touches hot wax is dry: water spits.", CUSTOM),
    ("Cure before you score, each piece as many days as the plan says: soy 10 to 14 days, blends "
     "7 to 10, paraffin 1 to 5.", CUSTOM),
))

SWEAT = Guide("sweat", "How to test for sweat", (
    ("At rest: each piece in its pack at 20 to 25 °C; look after 7 and after 14 days.", CUSTOM),
    ("Warm cycle, for vans and windows in summer: 8 to 24 h at 30 to 40 °C and back to 20 °C, 3 "
     "to 5 times. Stay about 10 °C below the melting point. Grade when the piece is back at room "
     "temperature.", CUSTOM),
    ("Press a clean tissue on the face once, then look. The grades are this project's own: there "
     "is no published scale.", "this project"),
    ("Drops can be water from a humid room. Water has no smell and dries from a tissue; fragrance "
     "leaves a scented stain.", CUSTOM),
    ("Blotter: weigh it, lay the piece on it for the planned hours, weigh it again. Lay one under "
     "an unscented piece, since wax stains, and one under nothing, since paper takes up damp.",
     CUSTOM),
    ("A gain of 12.5 mg under a piece of 25 g at 10 % of wax is 0.55 % of its fragrance. What has "
     "evaporated is not in the blotter.", SUM),
    ("A capacity belongs to the pair of wax and fragrance: the same wax holds other oils "
     "otherwise.", "Cokay & Ogutcu 2023, essential oils in wax gels"),
))

FROST = Guide("frost", "How to look for frost", (
    ("Always the same face of the mould, the same lamp from the side, the same distance. The "
     "roughness of a surface alone changes how white and glossy it looks.",
     "Briones, Aguilera & Brown 2006, on chocolate"),
    ("Grade by the share of the face that is white. There is no published scale for candle wax; "
     "the grades are this project's own.", "this project"),
    ("Look at the age at which you sell, and once later: frost goes on in storage.", CUSTOM),
    ("Keep the pieces in the dark and at one temperature, unless light or swings are what you "
     "test. Both are said to bring frost, as are fast cooling and long stirring.", CUSTOM),
    ("In chocolate the gloss fell within 30 days, faster when warm, before any bloom could be "
     "seen: a piece that is clean today is no promise.", "Pastor et al. 2007"),
    ("White wax hides frost: pour a dyed piece beside it. The crystal pattern of palm wax is no "
     "frost.", CUSTOM),
))

THROW = Guide("throw", "How to smell", (
    ("Who lives with a fragrance smells it less: after two weeks at home the nose was duller to "
     "it, and up to two weeks later still. Mark assessors who work with the fragrance.",
     "Dalton & Wysocki 1996"),
    ("One room, one warmer, one weight of wax, one place to stand, one number of minutes. After "
     "30 minutes the air holds 22 % of what it comes to, where it changes 0.5 times an hour.",
     SUM + ", well-mixed room"),
    ("Rooms differ: homes in three areas of the United States changed their air 0.47 to 0.88 "
     "times an hour (medians). Do not set scores of two rooms side by side.",
     "Indoor Air 20:85, 2010"),
    ("Air between warm pieces: 3 / (air changes an hour) hours leave 5 % of the scent, 4.6 / (air "
     "changes) leave 1 %.", SUM + ", well-mixed room"),
    ("Keep to the plan's order, another one for each assessor, and to the blind codes: what was "
     "smelt before colours what comes after.", "ISO 4120:2021 on codes and carry-over"),
    ("Rest 1 to 3 minutes between cold pieces; go out for 10 minutes after a warm one. No "
     "measured interval is published.", CUSTOM),
    ("Cold throw does not stand in for warm throw: other substances are in the air.",
     "Ahn et al. 2015, candles"),
))

CONFIRM = Guide("confirm", "Before you sell at the load picked", (
    ("Pour it once more on another day, with another lot of wax, and let it go through the warm "
     "cycle.", CUSTOM),
    ("If the top loads sweat, pour one of them again with a hot addition and a long stir. If that "
     "piece stays dry, it was the stirring and not the load.", CUSTOM),
    ("Do not leave out an odd piece because it is odd; say that it was there, or find what "
     "happened to it.", CUSTOM),
    ("More fragrance gives little: from 6 to 10 % of wax the strength grows by a factor of 1.1 to "
     "1.5, if the air holds as much more.", "power law with exponents 0.2 to 0.8; " + SUM),
    ("A label and a safety data sheet belong to the content that is sold, in % of total, and "
     "follow local law and licensed practice.", "ECHA, guidance on candles, 2024"),
))

GUIDES = {g.topic: g for g in (POTS, POUR, SWEAT, FROST, THROW, CONFIRM)}
