"""Pages as PDF, true to size: polygons as vectors, text in plain Helvetica.

The file depends on the pages alone (no date, no identifier), uses one of the
fonts every reader has, and asks print dialogues not to scale. Each group of
shapes is one filled path, so that abutting code modules show no seams.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from targets.errors import TargetError
from targets.files import save_bytes
from targets.page import Page, Polygon

__all__ = ["pdf_bytes", "write_pdf"]

POINTS_PER_MM = 72 / 25.4  # a PDF point is 1/72 inch (ISO 32000-1:2008, 8.3.2.3; from memory)


def write_pdf(pages: Sequence[Page], path: Path) -> None:
    """Write ``pdf_bytes(pages)`` to a file; raises ``TargetError`` if that fails."""
    save_bytes(pdf_bytes(pages), path)


def pdf_bytes(pages: Sequence[Page]) -> bytes:
    """Pages as one file, whose title is the first one's.

    Raises
    ------
    ValueError
        If there is no page.
    TargetError
        If a text holds characters that plain Helvetica lacks.
    """
    if not pages:
        raise ValueError("a PDF needs at least one page")
    # Objects 1 to 4 are catalogue, page tree, font and title; then two for each page.
    kids = b" ".join(b"%d 0 R" % (5 + 2 * i) for i in range(len(pages)))
    objects = [
        b"<< /Type /Catalog /Pages 2 0 R /ViewerPreferences << /PrintScaling /None >> >>",
        b"<< /Type /Pages /Kids [%s] /Count %d >>" % (kids, len(pages)),
        b"<< /Type /Font /Subtype /Type1 /BaseFont /Helvetica /Encoding /WinAnsiEncoding >>",
        b"<< /Title (%s) >>" % _escaped(pages[0].title),
    ]
    for i, page in enumerate(pages):
        size = page.width_mm * POINTS_PER_MM, page.height_mm * POINTS_PER_MM
        content = _content(page)
        objects += [
            b"<< /Type /Page /Parent 2 0 R /MediaBox [0 0 %.4f %.4f] /Contents %d 0 R "
            b"/Resources << /Font << /F 3 0 R >> >> >>" % (*size, 6 + 2 * i),
            b"<< /Length %d >>\nstream\n%s\nendstream" % (len(content), content),
        ]
    file = bytearray(b"%PDF-1.6\n")
    offsets = []
    for number, body in enumerate(objects, start=1):
        offsets.append(len(file))
        file += b"%d 0 obj\n%s\nendobj\n" % (number, body)
    table = len(file)
    file += b"xref\n0 %d\n0000000000 65535 f \n" % (len(objects) + 1)
    file += b"".join(b"%010d 00000 n \n" % offset for offset in offsets)
    file += b"trailer\n<< /Size %d /Root 1 0 R /Info 4 0 R >>\n" % (len(objects) + 1)
    file += b"startxref\n%d\n%%%%EOF\n" % table
    return bytes(file)


def _content(page: Page) -> bytes:
    # From here on units are mm, with y down from the page's upper left corner.
    scale = f"{POINTS_PER_MM:.9f} 0 0 {-POINTS_PER_MM:.9f} 0 {page.height_mm * POINTS_PER_MM:.6f}"
    lines = [f"{scale} cm".encode(), b"0 g"]
    lines += [_path(polygons) for polygons in page.shapes_mm]
    lines.append(b"BT")
    for text in page.texts:
        x, y = text.at_mm
        place = b"/F %g Tf 1 0 0 -1 %.4f %.4f Tm" % (text.size_mm, x, y)
        lines.append(b"%s (%s) Tj" % (place, _escaped(text.text)))
    lines.append(b"ET")
    return b"\n".join(lines)


def _path(polygons: Sequence[Polygon]) -> bytes:
    if len(polygons) == 1 and len(polygons[0]) == 4:
        # Some programs move the sides of a lone upright rectangle to whole pixels, by up to
        # half of one. With a fifth corner, in the middle of a side, it stays where it is.
        (*_, (x0, y0), (x1, y1)) = corners = polygons[0]
        polygons = ((*corners[:3], (0.5 * (x0 + x1), 0.5 * (y0 + y1)), corners[3]),)
    parts = []
    for (x0, y0), *rest in polygons:
        parts.append(f"{x0:.6f} {y0:.6f} m")
        parts += [f"{x:.6f} {y:.6f} l" for x, y in rest]
        parts.append("h")
    return "\n".join([*parts, "f"]).encode()


def _escaped(text: str) -> bytes:
    try:
        code = text.encode("cp1252")
    except UnicodeEncodeError as error:
        raise TargetError(
            f"text {text!r}: holds {text[error.start]!r}, which a PDF's own Helvetica lacks. "
            "Use Latin letters."
        ) from error
    return code.replace(b"\\", b"\\\\").replace(b"(", b"\\(").replace(b")", b"\\)")
