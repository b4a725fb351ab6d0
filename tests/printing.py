"""A page as a browser prints it."""


def printed(chromium, html, folder, look=None):
    """The path of the PDF; ``look`` may see the page first, as it is laid out for print."""
    page, path = chromium.new_page(viewport={"width": 1040, "height": 720}), folder / "printed.pdf"
    page.set_content(html)
    page.emulate_media(media="print")
    if look:
        look(page)
    page.pdf(path=path, prefer_css_page_size=True)
    page.close()
    return path
