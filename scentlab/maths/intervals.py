"""Exact limits of a chance."""


def binomial_limits(hits, trials, confidence=0.95):
    """Exact limits of a chance from independent trials (Clopper & Pearson 1934).

    They hold at least as often as the confidence says, and none of n seen is not never.

    hits : number or array. Simulated series whose blends are alike count as one trial each, and a
        part of a hit is then the share of its blends. trials : int.
    Returns (lower, upper), floats or arrays.

    >>> [round(x, 4) for x in binomial_limits(0, 20)]
    [0.0, 0.1684]
    """
    from statsmodels.stats.proportion import proportion_confint  # slow to import

    return proportion_confint(hits, trials, 1.0 - confidence, method="beta")
