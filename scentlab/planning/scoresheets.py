"""Sheets for people who score on paper: throw slips, grade sheets. Codes only, no loads."""

from scentlab.planning.refusal import PlanError
from scentlab.planning.sheets import document, esc, invented_line, table
from scentlab.schema import FROST_GRADES, SWEAT_GRADES

_LOOKS = (
    ("sweat", "rest", "Sweat at rest", SWEAT_GRADES),
    ("sweat", "heat", "Sweat after the heat cycle", SWEAT_GRADES),
    ("frost", "rest", "Frost", FROST_GRADES),
)


def throw_slips_html(plan, paper="A4"):
    """One slip per sitting and assessor with the codes in the assessor's order, to be cut apart."""
    if not plan.smelling_rows:
        raise PlanError("the plan has no sitting", "plan throw pieces and assessors first")
    slips = {}
    for row in plan.smelling_rows:
        slips.setdefault((row.sitting, row.assessor), []).append(row)
    body = "".join(_slip(plan, rows) for rows in slips.values())
    return document(f"Throw slips: {plan.title}", [f"<section>{body}</section>"], paper)


def grade_sheets_html(plan, paper="A4"):
    """One sheet per day and test with the codes to be looked at and a box for each grade."""
    pages = []
    for day in sorted({p.due_on for p in plan.piece_rows}):
        for test, stress, words, grades in _LOOKS:
            codes = [p.code for p in plan.piece_rows
                     if (p.due_on, p.test, p.stress) == (day, test, stress)]
            if codes:
                pages.append(_grade_page(plan, day, words, grades, codes, stress == "heat"))
    if not pages:
        raise PlanError("the plan has no piece to grade", "plan sweat or frost pieces first")
    return document(f"Grade sheets: {plan.title}", pages, paper)


def _slip(plan, rows):
    first = rows[0]
    heads = [("No.", 9), ("Code", 14), *((str(score), 9) for score in range(11)),
             ("Minutes on<br>the warmer" if first.kind == "warm" else "Note", 34)]
    body = "".join(
        f'<tr class="tall"><td>{row.position}</td><td class="text"><b>{esc(row.code)}</b></td>'
        f'{"<td></td>" * 12}</tr>' for row in rows
    )
    return (
        f'<div class="slip"><p><b>{esc(first.kind)} throw, sitting {esc(first.sitting)}, '
        f"{first.sitting_on.isoformat()}, assessor {esc(first.assessor)}</b>. {esc(plan.title)}."
        f"</p>{invented_line(plan)}<p>Smell in this order, rest between pieces, cross one box each."
        f" 0 nothing, 10 overpowering.</p>{table(heads, body, 'scores')}</div>"
    )


def _grade_page(plan, day, words, grades, codes, heated):
    heads = [("Code", 16), *((str(grade), 13) for grade in range(len(grades))), ("Note", 60)]
    body = "".join(
        f'<tr class="tall"><td class="text"><b>{esc(code)}</b></td>'
        f'{"<td></td>" * (len(grades) + 1)}</tr>' for code in codes
    )
    legend = "; ".join(f"<b>{grade}</b> {esc(said)}" for grade, said in enumerate(grades))
    heat = f"<p>Heat cycle before the look: {esc(plan.heat_cycle.words)}.</p>" if heated else ""
    return (
        f"<section><h1>{esc(words)}: {day.isoformat()}</h1><p>{esc(plan.title)}. {len(codes)} "
        f"pieces. Grades: {legend}.</p>{invented_line(plan)}{heat}"
        '<p>Assessor <span class="line"></span> &nbsp; Room <span class="line"></span> °C &nbsp; '
        'Humidity <span class="line"></span> %. Cross one box for each piece; water that has '
        "condensed is no sweat: press a tissue on it and smell.</p>"
        f"{table(heads, body, 'scores')}</section>"
    )
