"""What every printed sheet must keep: its margins, and words clear of lines and of each other.

A text's box is as wide as the sheet-makers' own upper bound (``text_width_mm``), from
Helvetica's descender to its ascender: 0.22 below and 0.73 above the base line, in sizes
(Adobe font metrics: 207 and 718 thousandths, from memory, rounded outwards).
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from targets.page import Page, Text, text_width_mm

Points = npt.NDArray[np.float64]


def text_box(text: Text) -> Points:
    x, y = text.at_mm
    right, top, bottom = (
        x + text_width_mm(text.text, text.size_mm),
        y - 0.73 * text.size_mm,
        y + 0.22 * text.size_mm,
    )
    return np.array([(x, top), (right, top), (right, bottom), (x, bottom)])


def overlap(a: Points, b: Points) -> bool:
    """Whether two convex outlines share ground: no line along a side of either parts them."""
    for outline in (a, b):
        along = np.roll(outline, -1, axis=0) - outline
        normals = np.column_stack([along[:, 1], -along[:, 0]])
        on_a, on_b = a @ normals.T, b @ normals.T
        if (np.maximum(on_b.min(0) - on_a.max(0), on_a.min(0) - on_b.max(0)) > -1e-9).any():
            return False
    return True


def clashes(page: Page, margin_mm: float = 10.0) -> list[str]:
    """What reaches into the margin, and which words lie on other words or on shapes."""
    found = []
    limits = np.array([page.width_mm, page.height_mm]) - margin_mm
    boxes = [text_box(text) for text in page.texts]
    shapes = [np.array(polygon) for group in page.shapes_mm for polygon in group]
    for name, points in [
        *((text.text, box) for text, box in zip(page.texts, boxes, strict=True)),
        *(("a shape", shape) for shape in shapes),
    ]:
        if points.min() < margin_mm - 1e-9 or (points.max(0) > limits + 1e-9).any():
            found.append(f"{name} reaches into the margin: {points.min(0)} {points.max(0)}")
    low = np.array([shape.min(0) for shape in shapes]).reshape(-1, 2)
    high = np.array([shape.max(0) for shape in shapes]).reshape(-1, 2)
    for i, (text, box) in enumerate(zip(page.texts, boxes, strict=True)):
        near = np.flatnonzero(((high > box.min(0)) & (low < box.max(0))).all(1))
        if any(overlap(box, shapes[n]) for n in near):
            found.append(f"{text.text} lies on a shape")
        found += [
            f"{text.text} lies on {page.texts[n].text}" for n in range(i) if overlap(box, boxes[n])
        ]
    return found
