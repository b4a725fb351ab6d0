"""A tap as a person does it: not before the page has answered the one before, and on its button."""

_WATCH = """button => { window.struck = false; window.addEventListener('click', click => {
    window.struck = button.contains(click.target); }, { capture: true, once: true }); }"""


def tap(page, target):
    """Click a button of a form: a selector, or a locator. A click that misses, for the page moves
    between press and release, is seen to miss and done again, as a person would."""
    target = page.locator(target) if isinstance(target, str) else target
    for _ in range(3):
        answered(page)
        target.evaluate(_WATCH)
        target.click()
        if page.evaluate("() => window.struck !== false"):
            return
    raise AssertionError(f"no click has met its button in three: {target}")


def answered(page):
    page.wait_for_function("() => !document.querySelector('.scent-form[aria-busy=true]')")


def rest(page):
    """The page has answered, and its clock goes on by more than the time in which a second tap is a
    double one."""
    answered(page)
    page.evaluate("() => { const now = performance.now.bind(performance);"
                  " performance.now = () => now() + 650; }")
