"""Pieces left on the warmer under a known truth, for the demo series and the tests."""

from dataclasses import replace

import numpy as np
import pandas as pd

from scentlab.series import tidy

# Of a piece's fragrance the part VOLATILE leaves as 1 - exp(-RATE hours), a share PIECE_SD more or
# less in each piece; hot throw falls from that at the load as exp(-FADE hours).
VOLATILE, RATE, PIECE_SD, SCALE_SD_G, GRAMS_SD = 0.55, 0.15, 0.06, 0.02, 0.3
FADE, FADE_PIECE_SD = 0.09, 0.3


def warmed(series, codes, truth, hours, assessors, seed, smelt_from_h=1.0):
    """A simulated series with checks on the warmer: each piece weighed at all hours and smelt by
    the assessors. Chance on the warmer is a stream of its own: nothing else changes with it."""
    rng = np.random.default_rng(seed).spawn(1)[0]
    rows = [(c, float(h), None) for c in codes for h in hours]
    rows += [(c, float(h), a) for c in codes for h in hours if h >= smelt_from_h for a in assessors]
    checks = pd.DataFrame(rows, columns=["code", "hours", "assessor"])
    pours = pd.concat([series.grades, series.throws])[["code", "pour"]]
    if series.plan is not None:
        pours = pd.DataFrame(series.plan["pieces"])[["code", "pour"]]
    checks = checks.merge(pours.drop_duplicates(), on="code")
    own = checks.merge(series.pours[["pour", "blend", "load_pct"]], on="pour")
    place, codes = pd.factorize(checks["code"])
    person, people = pd.factorize(checks["assessor"])  # -1 where nobody smells
    hours, load = checks["hours"].to_numpy(float), own["load_pct"].to_numpy(float)
    start = (float(series.piece_g or 25.0) + GRAMS_SD * rng.standard_normal(len(codes)))[place]
    part = (1.0 + PIECE_SD * rng.standard_normal(len(codes)))[place]
    gone = -VOLATILE * part * np.expm1(-RATE * hours)
    weight = start * (1.0 - gone * load / (100.0 + load))
    weight = weight + SCALE_SD_G * rng.standard_normal(len(checks))
    shift = np.append(truth.assessor_sd * rng.standard_normal(len(people)), 0.0)
    throw = np.array([truth.throw(b, x) for b, x in zip(own["blend"], load, strict=True)])
    score = throw * np.exp(-FADE * hours) + shift[person]
    score = score + (FADE_PIECE_SD * rng.standard_normal(len(codes)))[place]
    score = score + truth.score_sd * rng.standard_normal(len(checks))
    smelt = person >= 0
    checks["weight_g"] = np.where(smelt, np.nan, np.round(weight, 2))
    checks["throw"] = np.where(smelt, np.clip(np.round(2.0 * score) / 2.0, 0.0, 10.0), np.nan)
    return replace(series, warmings=tidy("warmings", checks, series.pours))
