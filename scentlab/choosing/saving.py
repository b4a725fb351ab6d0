"""What wax and fragrance of a piece cost at a load, and what is saved against today's load.

The cost follows exactly from the prices and the weight of a piece; it has no uncertainty of its
own, and holds nothing but wax and fragrance.
"""

import numpy as np
import pandas as pd

from scentlab.units import content_from_load, say_load_oz

PIECES = 1000
# Less than this per 1,000 pieces, in the currency, is nothing that a price list settles.
LEAST = 0.005
LEFT_OUT = (
    "Costs cover wax and fragrance only, exact for the prices and piece weight given. Pack, label, "
    "moulds, labour, energy and spoilt pieces are left out."
)


def piece_costs(prices, piece_g, loads):
    """Cost of wax and fragrance of a piece at each load; missing when a price or its weight is."""
    share = content_from_load(loads) / 100.0
    cost = (1.0 - share) * prices["wax_price_per_kg"] + share * prices["fragrance_price_per_kg"]
    return (np.nan if piece_g is None else piece_g / 1000.0) * cost


def say_money(amount, currency):
    """An amount that is not negative, without digits that the prices do not bear.

    >>> say_money(12.4, "EUR"), say_money(1234.4, "EUR"), say_money(0.5, "")
    ('12.40 EUR', '1,234 EUR', '0.50')
    """
    number = f"{amount:.2f}" if amount < 100 else f"{amount:,.0f}"
    return f"{number} {currency}".strip()


def saving_words(saving, today_pct, currency):
    """A saving per 1,000 pieces in words; why not, where it is not known."""
    today = f"today's {say_load_oz(today_pct)}"
    if pd.isna(saving):
        return (f"the saving against {today} is not known: a price or the weight of a piece is "
                "missing")
    if abs(saving) < LEAST:
        return f"costs the same as {today}"
    verb, more = ("saves", "") if saving > 0 else ("costs", " more")
    return f"{verb} {say_money(abs(saving), currency)}{more} per 1,000 pieces against {today}"
