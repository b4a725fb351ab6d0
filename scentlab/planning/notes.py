"""What a plan cannot do, or only with care: its notes in plain sentences."""

from scentlab.planning.panel import session_spans
from scentlab.planning.refusal import count_of
from scentlab.units import in_maker_units, say_load_oz, say_temperature


def plan_notes(plan):
    if plan.pots_per_blend == 1:
        yield ("One pot of each blend: differences between blends cannot be separated from "
               "differences between pots. Pour at least two.")
    test_only = sorted({p.load_pct for p in plan.pour_rows if p.test_only})
    if test_only:
        yield ("Above a limit, for testing only, not for sale: "
               + ", ".join(say_load_oz(x) for x in test_only) + " (by blend, see the pour sheets).")
    for blend in plan.blends:
        yield from _blend_notes(plan, blend)
    if plan.fragrance.flash_point_c is None:
        yield "The fragrance's closed-cup flash point is not known: take it from its data sheet."
    if plan.piece_numbers.sweat + plan.piece_numbers.sweat_heat == 0:
        yield "No sweat pieces: this plan cannot find a highest safe load."
    if plan.piece_numbers.throw and len(plan.assessors) < 6:
        yield (f"{count_of(len(plan.assessors), 'tester')}: a higher load adds little throw, and "
               "so few may miss it.")
    yield from _panel_notes(plan)
    if plan.works_with_fragrance:
        yield (f"Handling this fragrance daily dulls a nose for weeks: throw is shown with and "
               f"without {', '.join(plan.works_with_fragrance)}.")
    yield "Cure days and stir minutes are common practice, no source."


def _panel_notes(plan):
    if not plan.smelling_rows:
        return
    most, evening = max(end for _, end in session_spans(plan).values()), plan.calendar.evening_min
    if round(most) > evening:
        yield (f"Smelling takes up to {most:.0f} min a day, more than the {evening} min of an "
               "evening: use fewer pieces per session or fewer sessions a day.")
    if "jar" in plan.sittings.kinds:
        yield "A jar is only a screening: what fills a jar may not fill a room."


def _blend_notes(plan, blend):
    if blend.limit_load_pct is None:
        yield (f"Blend {blend.name}: the wax maker's highest load is not known, so pieces are not "
               "marked against it.")
    rows = [p for p in plan.pour_rows if p.blend == blend.name]
    flash = plan.fragrance.flash_point_c
    hottest = max((p.add_temp_c for p in rows if p.add_temp_c is not None), default=None)
    if hottest is None:
        yield f"Blend {blend.name}: no add temperature is known; ask the wax maker."
    elif flash is not None and flash < hottest:
        yield (f"Blend {blend.name}: the fragrance's closed-cup flash point of "
               f"{say_temperature(flash)} is below the add temperature of "
               f"{say_temperature(hottest)}: no flame or spark near, ventilate.")
    if plan.piece_numbers.sweat_heat and blend.melt_temp_c is not None:
        if plan.heat_cycle.temp_c > blend.melt_temp_c - 10:
            yield (f"Blend {blend.name}: the heat cycle at "
                   f"{say_temperature(plan.heat_cycle.temp_c)} is "
                   f"{in_maker_units('within 10 °C')} of melting "
                   f"({say_temperature(blend.melt_temp_c)}); pieces may slump.")
