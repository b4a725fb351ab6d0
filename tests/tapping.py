"""A tap as a person does it: not before the page has answered the one before."""


def tap(page, target):
    """Click a button of a form: a selector, or a locator."""
    answered(page)
    (page.locator(target) if isinstance(target, str) else target).click()


def answered(page):
    page.wait_for_function("() => !document.querySelector('.scent-form[aria-busy=true]')")


def rest(page):
    """The page has answered, and its clock goes on by more than the time in which a second tap is a
    double one."""
    answered(page)
    page.evaluate("() => { const now = Date.now; Date.now = () => now() + 650; }")
