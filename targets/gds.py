"""A sheet as GDSII, the format in which photomasks are ordered, and the words of the order.

One cell, one layer, plain polygons: the user unit is 1 um, the grid 1 nm, the origin at
the sheet's lower left corner with y upwards, so that the drawing looks as the sheet does.
The finished plate always has dark squares on clear glass; ``polarity`` says which of the
two is drawn. The file depends on the arguments alone: its time stamp is fixed.

Needs gdstk, which the extra ``mask`` brings. Left out: what a maker adds (labels,
alignment marks, the frame around the sheet) and corrections for the process.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np
import numpy.typing as npt

from targets.errors import TargetError
from targets.files import save_bytes
from targets.layout import Layout

__all__ = ["MaskReport", "write_gds"]

Outline = npt.NDArray[np.int64]  # (n, 2): x, y in nm, y upwards

GRID_NM = 1.0
NM_PER_MM = 1e6
UM_PER_NM = 1e-3
# Corners that a polygon may have: the oldest readers take 200 with the first one
# repeated; and numbers of layer and datatype (GDSII, release 6.0, from memory).
CORNERS_MAX = 199
NUMBER_MAX = 255
CELL_NAME_MAX = 32
SIZE_MAX_MM = 2000.0  # coordinates have 32 bits: 2147 mm at this grid
# GDSII notes when a file was made; a fixed date gives the same bytes every time.
MADE = datetime(2000, 1, 1)


@dataclass(frozen=True, kw_only=True)
class MaskReport:
    """What the file holds, for the order.

    Attributes
    ----------
    cell : str
        Name of the one cell.
    polygons : int
    corners_max : int
        Of the polygon with most corners.
    layer, datatype : int
    grid_nm : float
    polarity : str
        "dark": drawn shapes become dark (chrome, blackened emulsion). "clear":
        drawn shapes become clear.
    mirrored : bool
        Whether x is reversed.
    width_mm, height_mm : float
        The sheet's size.
    smallest_feature_um : float
        Narrowest dark shape of the sheet, each taken as a whole (no hollows).
    """

    cell: str
    polygons: int
    corners_max: int
    layer: int
    datatype: int
    grid_nm: float
    polarity: str
    mirrored: bool
    width_mm: float
    height_mm: float
    smallest_feature_um: float

    def sentences(self) -> tuple[str, ...]:
        """The order in words."""
        drawn = (
            "Drawn shapes are dark (chrome), all else is clear: data dark, clear field."
            if self.polarity == "dark"
            else "Drawn shapes are clear, all else is dark (chrome): data clear, dark field. The "
            "sheet comes out as dark shapes on clear glass, with chrome around it."
        )
        side = (
            "x is reversed for chrome down: the plate reads right seen through the glass, chrome "
            "on the far side. Do not mirror it again."
            if self.mirrored
            else "Not mirrored, for chrome up: the plate reads right seen with its chrome towards "
            "you. In use the chrome faces the lens, so that no glass lies in between."
        )
        return (
            f"GDSII, cell {self.cell}, layer {self.layer}, datatype {self.datatype}: "
            f"{self.polygons} polygons of {self.corners_max} corners at most; unit 1 um, grid "
            f"{self.grid_nm:g} nm.",
            f"Sheet {self.width_mm:g} x {self.height_mm:g} mm, its lower left corner at 0, 0. "
            f"Smallest dark feature {self.smallest_feature_um:.3g} um.",
            f"{drawn} Shapes that touch belong together.",
            side,
        )


def write_gds(
    layout: Layout,
    path: Path,
    *,
    polarity: str = "dark",
    mirrored: bool = False,
    layer: int = 1,
    datatype: int = 0,
) -> MaskReport:
    """Write the sheet for a mask maker.

    Parameters
    ----------
    layout : Layout
    path : Path
        Replaced if it is there.
    polarity : str
        "dark": the dark shapes are drawn. "clear": the clear ground is drawn, that is
        the sheet without them. The plate is the same, but for chrome outside the sheet.
    mirrored : bool
        Reverse x, for chrome (or emulsion) on the side away from the viewer.
    layer, datatype : int
        Numbers that the drawing gets. 0 to 255

    Raises
    ------
    ValueError
        If an argument is outside its range.
    TargetError
        If gdstk is missing, the sheet is too large, or the file cannot be saved.
    """
    if polarity not in ("dark", "clear"):
        raise ValueError("polarity must be 'dark' or 'clear'")
    for number in (layer, datatype):
        if isinstance(number, bool) or not isinstance(number, int) or not 0 <= number <= NUMBER_MAX:
            raise ValueError(f"layer and datatype must be whole numbers from 0 to {NUMBER_MAX}")
    size_mm = layout.sheet_width_mm, layout.sheet_height_mm
    if not max(size_mm) <= SIZE_MAX_MM:
        raise TargetError(
            f"{layout.name}: is {max(size_mm):.4g} mm long, GDSII holds {SIZE_MAX_MM:g} mm. "
            "Make a smaller sheet, or a PDF."
        )
    try:
        import gdstk
    except ImportError as error:
        raise TargetError(
            "GDSII needs the package gdstk. Install the extra mask: pip install 'stopwise[mask]'."
        ) from error

    outlines = _outlines_nm(layout, mirrored)
    drawn = outlines if polarity == "dark" else _clear_ground_nm(size_mm, outlines)
    polygons: list[gdstk.Polygon] = []
    for outline in drawn:
        polygon = gdstk.Polygon((outline * UM_PER_NM).tolist(), layer, datatype)
        fits = polygon.size <= CORNERS_MAX
        polygons += [polygon] if fits else polygon.fracture(CORNERS_MAX, UM_PER_NM)
    name = re.sub(r"[^A-Za-z0-9_]", "_", layout.name)[:CELL_NAME_MAX]
    library = gdstk.Library("stopwise", unit=1e-6, precision=1e-9)
    library.new_cell(name).add(*polygons)
    with TemporaryDirectory() as folder:  # gdstk writes nothing but files
        made = Path(folder, "sheet.gds")
        library.write_gds(made, max_points=CORNERS_MAX, timestamp=MADE)
        content = made.read_bytes()
    save_bytes(content, path)
    return MaskReport(
        cell=name,
        polygons=len(polygons),
        corners_max=max((polygon.size for polygon in polygons), default=0),
        layer=layer,
        datatype=datatype,
        grid_nm=GRID_NM,
        polarity=polarity,
        mirrored=mirrored,
        width_mm=size_mm[0],
        height_mm=size_mm[1],
        smallest_feature_um=UM_PER_NM * min(map(_narrowest_nm, outlines), default=0.0),
    )


def _outlines_nm(layout: Layout, mirrored: bool) -> list[Outline]:
    """Every dark shape of the sheet on the grid."""
    size = np.round(np.array([layout.sheet_width_mm, layout.sheet_height_mm]) * NM_PER_MM)
    outlines = []
    for field, origin_mm in zip(layout.fields, layout.sheet_origins_mm, strict=True):
        for polygon in field.polygons_mm():
            points = np.round((np.array(polygon) + origin_mm) * NM_PER_MM)
            points[:, 1] = size[1] - points[:, 1]
            if mirrored:
                points[:, 0] = size[0] - points[:, 0]
            outlines.append(points.astype(np.int64))
    return outlines


def _clear_ground_nm(size_mm: tuple[float, float], dark: list[Outline]) -> list[Outline]:
    """The sheet without the dark shapes.

    First without the boxes around them, then each box without what is dark in it: all
    cuts go along boxes. Elsewhere they would meet slanted edges between grid points and
    bend them there, by a nanometre or more where several cuts follow each other.
    """
    import gdstk

    shapes = [gdstk.Polygon(outline.tolist()) for outline in dark]
    low = np.array([outline.min(axis=0) for outline in dark]).reshape(-1, 2)
    high = np.array([outline.max(axis=0) for outline in dark]).reshape(-1, 2)
    sheet = gdstk.rectangle((0, 0), (size_mm[0] * NM_PER_MM, size_mm[1] * NM_PER_MM))
    boxes = [gdstk.rectangle(tuple(a), tuple(b)) for a, b in zip(low, high, strict=True)]
    ground = gdstk.boolean(sheet, boxes, "not", precision=GRID_NM)
    for box, a, b in zip(boxes, low, high, strict=True):
        overlap = ((high > a) & (low < b)).all(axis=1)
        near = [shapes[i] for i in np.flatnonzero(overlap)]
        ground += gdstk.boolean(box, near, "not", precision=GRID_NM)
    return [np.round(part.points).astype(np.int64) for part in ground]


def _narrowest_nm(outline: Outline) -> float:
    """Smallest distance of two lines, parallel to a side, that hold the shape between them."""
    along = np.roll(outline, -1, axis=0) - outline
    length = np.hypot(*along.T)
    along, length = along[length > 0], length[length > 0]
    across = outline @ np.stack([-along[:, 1], along[:, 0]]) / length
    return float(np.ptp(across, axis=0).min())
