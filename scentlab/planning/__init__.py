"""Planning: a series before wax is melted, its blind codes, its panel and its sheets."""
