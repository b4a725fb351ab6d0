"""One row of the table of hard trials in DEVELOPERS.md, and the table."""

HEAD = ("kind", "tried", "handled", "badly", "lost")


def row(kind, tried, handled, badly, lost):
    """A line of the table; every trial is handled, handled badly or lost what was acknowledged.

    >>> row("bad imports", 3, 2, 1, 0)
    '| bad imports | 3 | 2 | 1 | 0 |'
    """
    if handled + badly + lost != tried:
        raise ValueError(f"{kind}: {tried} tried, but {handled} + {badly} + {lost} told of")
    return f"| {kind} | {tried} | {handled} | {badly} | {lost} |"


def table(rows):
    """Head and rows as Markdown.

    >>> print(table([row("kills", 1, 1, 0, 0)]))
    | kind | tried | handled | badly | lost |
    | --- | --- | --- | --- | --- |
    | kills | 1 | 1 | 0 | 0 |
    """
    head = f"| {' | '.join(HEAD)} |"
    return "\n".join([head, "| " + " | ".join(["---"] * len(HEAD)) + " |", *rows])
