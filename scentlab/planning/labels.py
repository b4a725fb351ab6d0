"""Labels with QR codes, in the order in which pieces are cast, and the list to stick them by."""

import io

import segno


def stick_list(plan):
    """Per pour, in the order in which they are cast, its pot, name, codes and their places on the
    sheet. No load, no weight, no blend; codes come by number, which tells nothing."""
    rows, done = [], 0
    for pour in plan.pour_rows:
        codes = sorted(piece.code for piece in plan.piece_rows if piece.pour == pour.pour)
        if codes:
            rows.append((pour.pot, pour.pour, codes, f"{done + 1} to {done + len(codes)}"))
        done += len(codes)
    return rows


def label_svg(code, address=""):
    """The QR code of a label as an SVG element (error correction M, with the four light modules
    around it that ISO/IEC 18004 asks for): the address of its piece, or the code alone."""
    picture = io.BytesIO()
    text = f"{address}/piece/{code}" if address else code
    segno.make(text, error="m", micro=False).save(
        picture, kind="svg", xmldecl=False, svgns=False, omitsize=True, border=4, nl=False)
    return picture.getvalue().decode()
