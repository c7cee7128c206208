"""A layout as PDF, true to size: polygons as vectors, legend in plain Helvetica.

The file depends on the layout alone (no date, no identifier), uses one of the
fonts every reader has, and asks print dialogues not to scale. Each field is
one filled path, so that abutting code modules show no seams.
"""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

from targets.errors import TargetError
from targets.files import save_bytes
from targets.layout import Layout, Point
from targets.page import TEXT_SIZE_MM, Page, make_page

__all__ = ["pdf_bytes", "write_pdf"]

POINTS_PER_MM = 72 / 25.4  # a PDF point is 1/72 inch (ISO 32000-1:2008, 8.3.2.3; from memory)


def write_pdf(layout: Layout, path: Path) -> None:
    """Write ``pdf_bytes(layout)`` to a file; raises ``TargetError`` if that fails."""
    save_bytes(pdf_bytes(layout), path)


def pdf_bytes(layout: Layout) -> bytes:
    """The sheet and its legend as one PDF page.

    Raises
    ------
    TargetError
        If a name holds characters that plain Helvetica lacks.
    """
    page = make_page(layout)
    width, height = page.width_mm * POINTS_PER_MM, page.height_mm * POINTS_PER_MM
    content = _content(page)
    objects = (
        b"<< /Type /Catalog /Pages 2 0 R /ViewerPreferences << /PrintScaling /None >> >>",
        b"<< /Type /Pages /Kids [3 0 R] /Count 1 >>",
        b"<< /Type /Page /Parent 2 0 R /MediaBox [0 0 %.4f %.4f] /Contents 4 0 R "
        b"/Resources << /Font << /F 5 0 R >> >> >>" % (width, height),
        b"<< /Length %d >>\nstream\n%s\nendstream" % (len(content), content),
        b"<< /Type /Font /Subtype /Type1 /BaseFont /Helvetica /Encoding /WinAnsiEncoding >>",
        b"<< /Title (%s) >>" % _escaped(page.title),
    )
    file = bytearray(b"%PDF-1.6\n")
    offsets = []
    for number, body in enumerate(objects, start=1):
        offsets.append(len(file))
        file += b"%d 0 obj\n%s\nendobj\n" % (number, body)
    table = len(file)
    file += b"xref\n0 %d\n0000000000 65535 f \n" % (len(objects) + 1)
    file += b"".join(b"%010d 00000 n \n" % offset for offset in offsets)
    file += b"trailer\n<< /Size %d /Root 1 0 R /Info 6 0 R >>\n" % (len(objects) + 1)
    file += b"startxref\n%d\n%%%%EOF\n" % table
    return bytes(file)


def _content(page: Page) -> bytes:
    # From here on units are mm, with y down from the page's upper left corner.
    scale = f"{POINTS_PER_MM:.9f} 0 0 {-POINTS_PER_MM:.9f} 0 {page.height_mm * POINTS_PER_MM:.6f}"
    lines = [f"{scale} cm".encode(), b"0 g"]
    lines += [_path(polygons) for polygons in (*page.fields_mm, (page.scale_line_mm,))]
    lines += [b"BT", b"/F %g Tf" % TEXT_SIZE_MM]
    for text in page.texts:
        x, y = text.at_mm
        lines.append(b"1 0 0 -1 %.4f %.4f Tm (%s) Tj" % (x, y, _escaped(text.text)))
    lines.append(b"ET")
    return b"\n".join(lines)


def _path(polygons: Iterable[tuple[Point, ...]]) -> bytes:
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
            f"name {text!r}: holds {text[error.start]!r}, which a PDF's own Helvetica lacks. "
            "Use Latin letters."
        ) from error
    return code.replace(b"\\", b"\\\\").replace(b"(", b"\\(").replace(b")", b"\\)")
