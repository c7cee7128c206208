"""What took the sharpness of this frame: focus, movement, exposure, target or glass?

The edges of one frame are set against each other: directions at one place tell
movement, places tell a tilted target, the shape of the blur tells focus from even
blur, flags and intervals tell target and exposure, and diffraction, where the stop is
known, says how much there was to lose.

A cause's ``loss`` is the share of MTF50 that it takes, and causes are listed by it. What
takes it all over the centre takes no more than is missing there, where that is known.
``p_noise`` is the chance that noise and scatter alone make such a difference; it is no
probability of the cause. One frame cannot tell defocus from spherical aberration, nor
movement from astigmatism at the centre; the evidence says so where it matters.

Lengths are px, frequencies cycles per px along the edge's normal, angles as those of
normals: 0 along the rows, 90 along the columns.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from lab.edges.combine import combine
from lab.edges.loss_evidence import (
    BlurShape,
    EdgeFigures,
    Place,
    blur_shape,
    common_movement,
    places_of,
)
from lab.edges.target_quality import SHARPER_THAN_DIFFRACTION
from lab.frames.exposure import Exposure
from lab.optics.pupil import clear_pupil_mtf
from lab.optics.sensor import pixel_mtf
from lab.optics.system import crossing
from targets.fidelity import DEFAULT_LOSS, edge_mtf_loss

__all__ = ["Cause", "FrameLoss", "likely_loss"]

# Limits, all judged by us. A difference counts where noise makes it in less than one frame
# of a hundred and it takes a share of MTF50 that a second frame would show as well.
_P_NOISE = 0.01
_LEAST_DIRECTION, _LEAST_FIELD, _LEAST_FOCUS = 0.04, 0.08, 0.1
_FAR_OFF = 0.5  # no lens of use loses more at every focus: then it is focus, whatever the shape
_WIDE = 0.05  # half the 95 % interval over MTF50: half of where a single edge is flagged as noisy
_SHARPER = 0.05  # beyond diffraction: more, and stop or pitch must be wrong


@dataclass(frozen=True, kw_only=True)
class Cause:
    """One likely cause.

    Attributes
    ----------
    name : str
        "focus", "movement", "exposure", "target" or "glass".
    loss : float or None
        Share of MTF50 that it takes; None where that cannot be stated. [-]
    evidence : tuple of str
        Sentences.
    otherwise : str
        What looks alike in one frame, in words; "" for nothing known.
    mend : str
    p_noise : float or None
        Chance of such a difference by noise and scatter alone; None where not computed.
    movement_px, movement_deg : float or None
        Length of the movement in the image and its axis (range (-90, 90]); the axis is
        None where edges of two directions only leave it open to 45 degrees either way.
    defocus_waves : float or None
        At the pupil's rim, from the shape of the blur; its sign stays open.
    """

    name: str
    loss: float | None
    evidence: tuple[str, ...]
    mend: str
    otherwise: str = ""
    p_noise: float | None = None
    movement_px: float | None = None
    movement_deg: float | None = None
    defocus_waves: float | None = None


@dataclass(frozen=True, kw_only=True)
class FrameLoss:
    """Places of a frame, likely causes (the largest loss first), and what it is measured by.

    ``of_diffraction`` is the centre's MTF50 over what diffraction and pixel allow, with
    the standard uncertainty of that prediction; None where the stop is not known.
    ``is_impossible``: it is sharper than the prediction allows. ``notes`` say what could
    not be told.
    """

    places: tuple[Place, ...]
    causes: tuple[Cause, ...]
    of_diffraction: float | None = None
    of_diffraction_std: float | None = None
    is_impossible: bool = False
    notes: tuple[str, ...] = ()


def likely_loss(
    edges: Sequence[EdgeFigures],
    *,
    exposure: Exposure | None = None,
    rejections: Sequence[str] = (),
    diffraction_px: float | None = None,
    diffraction_std: float = 0.0,
) -> FrameLoss:
    """Rank what may have taken a frame's sharpness.

    Parameters
    ----------
    edges : sequence of EdgeFigures
        Measured edges of one frame in one raw colour; may be empty.
    exposure : Exposure, optional
        Of the frame.
    rejections : sequence of str
        Reasons of the edges that gave no figure.
    diffraction_px : float, optional
        Wavelength times effective f-number over the pixel pitch. [px], > 0
    diffraction_std : float
        Its relative standard uncertainty. [-], >= 0

    Returns
    -------
    FrameLoss

    Raises
    ------
    ValueError
        If diffraction_px is not > 0 or diffraction_std not >= 0.
    """
    if not (diffraction_px is None or diffraction_px > 0) or not diffraction_std >= 0:
        raise ValueError("diffraction_px must be > 0 and diffraction_std >= 0")
    places = places_of(edges)
    causes = [*_exposure_causes(edges, places, exposure, rejections)]
    if not edges:
        causes += _lost_in_blur(rejections)
        return FrameLoss(places=(), causes=tuple(causes))
    moved = _movement(edges)
    notes = []
    if len({e.direction for e in edges}) == 1:
        notes.append("Edges of one direction only: movement cannot be told.")
    tilted, curved = _over_the_field(places)
    core = _core(edges)
    of_diffraction = None
    if diffraction_px is not None:
        of_diffraction = float(
            np.mean([e.mtf50_cyc_per_px / _limit(diffraction_px, e.angle_deg) for e in core])
        )
    # A centre's cause takes no more than is missing there, pixel included.
    missing = 1.0 if of_diffraction is None else max(0.0, 1 - of_diffraction)
    shape = blur_shape(core, diffraction_px, diffraction_std)
    focus = glass = None
    if shape is not None and not shape.is_focused and shape.loss > _LEAST_FOCUS:
        sure = 0.0 if shape.short is None else shape.short - 2 * diffraction_std
        focus = _defocus(shape, missing, is_far_off=sure > _FAR_OFF)
        if focus is None and shape.short is None:
            notes.append(
                "The shape of the blur is not that of a lens in focus; whether defocus, spherical "
                "aberration or even blur, one frame cannot tell."
            )
        elif focus is None and shape.short is not None and sure > 0:
            glass = _unnamed(shape.short, missing, is_alike=len({e.direction for e in core}) > 1)
    causes += [c for c in (moved, _target(edges), _joined(tilted, focus)) if c is not None]
    if glass is not None and not any(c.name in ("movement", "focus", "target") for c in causes):
        causes.append(glass)
    if curved is not None:
        causes.append(curved)
    causes.sort(key=lambda c: -(c.loss if c.loss is not None else 2.0))
    if of_diffraction is None:
        return FrameLoss(places=places, causes=tuple(causes), notes=tuple(notes))
    impossible = of_diffraction - 1 > max(_SHARPER, 2 * diffraction_std)
    if impossible:
        notes.append(f"{SHARPER_THAN_DIFFRACTION.capitalize()}.")
    return FrameLoss(
        places=places,
        causes=tuple(causes),
        of_diffraction=of_diffraction,
        of_diffraction_std=of_diffraction * diffraction_std,
        is_impossible=impossible,
        notes=tuple(notes),
    )


def _core(edges: Sequence[EdgeFigures]) -> list[EdgeFigures]:
    """Edges of the place nearest the centre."""
    nearest = min(edges, key=lambda e: math.hypot(e.field_x, e.field_y)).place
    return [e for e in edges if e.place == nearest]


# Exposure and target


def _exposure_causes(
    edges: Sequence[EdgeFigures],
    places: Sequence[Place],
    exposure: Exposure | None,
    rejections: Sequence[str],
) -> Iterable[Cause]:
    evidence, loss = [], None
    clipped = sum("clipped" in reason for reason in rejections)
    faint = sum("times the noise" in reason for reason in rejections)
    if clipped:
        evidence.append(f"{clipped} of {len(edges) + len(rejections)} edges are clipped.")
    elif exposure is not None and "clipped" in exposure.flags:
        # Edges away from the clipped part are measured all the same.
        loss = 0.0
        evidence.append(f"{exposure.advice_reason.split(';')[0]}.")
    if faint:
        evidence.append(f"{faint} edges are lost in the noise.")
    step = None if exposure is None else exposure.step_in_noise
    # With a step well above the noise an interval is wide for other reasons.
    is_faint = exposure is None or step is None or "underexposed" in exposure.flags
    if places and is_faint:
        half = 1.96 * places[0].mtf50_std / places[0].mtf50_cyc_per_px
        noisy = sum("noisy" in e.flags for e in edges)
        if half > _WIDE or 2 * noisy > len(edges):
            loss = half if loss is None else max(half, loss)
            evidence.append(
                f"Noise leaves MTF50 open to {100 * half:.0f} % at the {places[0].name} (95 %)."
            )
            if step is not None:
                evidence.append(f"The step is {step:.0f} times the noise.")
    if not evidence:
        return
    stops = 0.0 if exposure is None else exposure.advice_stops
    mend = "More light on the target, a lower ISO, or longer edges."
    if clipped or (stops < 0 and not faint):
        mend = f"Lower the exposure by {abs(stops) or 1:.1f} stops."
    elif stops > 0:
        mend = f"Raise the exposure by {stops:.1f} stops."
    yield Cause(
        name="exposure",
        # Where edges gave nothing at all, nothing else can be said.
        loss=1.0 if (clipped or faint) and not edges else loss if loss is not None else 0.0,
        evidence=tuple(evidence),
        mend=mend,
    )


def _lost_in_blur(rejections: Sequence[str]) -> Iterable[Cause]:
    wide = sum("blur is too wide" in reason for reason in rejections)
    if 2 * wide > len(rejections):
        yield Cause(
            name="focus",
            loss=None,
            evidence=(
                f"{wide} of {len(rejections)} edges are blurred wider than the clear ground "
                "beside them: far out of focus, unless the frame moved as far.",
            ),
            mend="Focus again.",
        )


def _target(edges: Sequence[EdgeFigures]) -> Cause | None:
    rough = [e for e in edges if {"ragged-edge", "target-limited"} & set(e.flags)]
    over = [e for e in edges if "overshoot" in e.flags]
    if 2 * len(over) > len(edges):
        return Cause(
            name="target",
            loss=None,
            evidence=(
                f"{len(over)} of {len(edges)} edges overshoot, which no lens does in diffuse "
                "light: the light is too narrow or the file was sharpened, and MTF50 reads too "
                "high.",
            ),
            mend="Light the target from a wider diffuser; give the raw file.",
        )
    if not 2 * len(rough) > len(edges):
        return None
    ragged = [e.raggedness_px for e in rough if e.raggedness_px is not None]
    f = float(np.median([e.mtf50_cyc_per_px for e in rough]))
    evidence = [f"{len(rough)} of {len(edges)} edges are rough or blurred of themselves."]
    loss = None
    if ragged:
        typical = float(np.median(ragged))
        loss = float(edge_mtf_loss(f * 1e3, 0.0, typical))  # px for um: only the product counts
        evidence = [
            f"{len(rough)} of {len(edges)} edges depart from straight by {typical:.2f} px "
            f"(standard deviation) beyond noise, {100 * loss:.0f} % of the contrast at MTF50 "
            f"(limit {100 * DEFAULT_LOSS:.0f} %)."
        ]
    return Cause(
        name="target",
        loss=loss,
        evidence=tuple(evidence),
        mend="Use a sharper edge: film, chrome on glass or a blade.",
    )


# Movement


def _movement(edges: Sequence[EdgeFigures]) -> Cause | None:
    """Is the frame softer in one direction, everywhere alike?"""
    found = common_movement(edges)
    if found is None or not found.p_noise < _P_NOISE:
        return None
    axis = found.axis_deg
    across = [abs(math.cos(math.radians(e.angle_deg - axis))) > math.sqrt(0.5) for e in edges]
    soft = [e.mtf50_cyc_per_px for e, is_across in zip(edges, across, strict=True) if is_across]
    hard = [e.mtf50_cyc_per_px for e, is_across in zip(edges, across, strict=True) if not is_across]
    if not (soft and hard):
        return None
    loss = 1 - float(np.mean(soft) / np.mean(hard))
    if loss < _LEAST_DIRECTION:
        return None
    if found.is_axis_known:
        whither = f"along {axis:.0f} deg (0: along the rows, 90: down)"
    else:
        way = "sideways" if abs(axis) < 45 else "up and down"
        whither = f"{way} at least, the axis open to 45 deg: edges run in two directions only"
    return Cause(
        name="movement",
        loss=loss,
        evidence=(
            f"MTF50 across edges at {axis:.0f} deg is {100 * loss:.0f} % below that across the "
            f"others ({np.mean(soft):.3f} and {np.mean(hard):.3f} cycles per pixel) all over the "
            f"frame; by noise and scatter: {_chance(found.p_noise)}.",
            f"As an even movement: {found.length_px:.1f} px {whither}.",
            "Astigmatism looks alike in one frame, but comes back in the next.",
        ),
        otherwise="astigmatism",
        mend="Flash, a remote release, a longer delay, a stiffer stand.",
        p_noise=found.p_noise,
        movement_px=found.length_px,
        movement_deg=axis if found.is_axis_known else None,
    )


def _chance(p: float) -> str:
    return "fewer than 1 frame in 1000" if p < 1e-3 else f"1 frame in {1 / p:.0f}"


# Focus and glass


def _over_the_field(places: Sequence[Place]) -> tuple[Cause | None, Cause | None]:
    """One side softer than the other (focus), the corners softer than the centre (glass)."""
    tilted, curved = None, None
    for one, other in (("left", "right"), ("top", "bottom")):
        drop, std = _drop(
            [p for p in places if one in p.name], [p for p in places if other in p.name]
        )
        soft, sharp = (other, one) if drop > 0 else (one, other)
        loss = 1 - math.exp(-abs(drop))
        p_noise = math.erfc(abs(drop) / std / math.sqrt(2)) if std > 0 else 1.0
        if p_noise < _P_NOISE and loss > max(_LEAST_FIELD, tilted.loss or 0 if tilted else 0):
            tilted = Cause(
                name="focus",
                loss=loss,
                evidence=(
                    f"Sharper elsewhere in the frame: the {soft} is {100 * loss:.0f} % softer "
                    f"than the {sharp} (noise alone: {_chance(p_noise)}), so the target is "
                    "tilted or the lens off centre.",
                ),
                mend=f"Square up the target: the {soft} side is out of focus.",
                p_noise=p_noise,
            )
    middle = [p for p in places if p.name == "centre"]
    corners = [p for p in places if " " in p.name]
    drop, std = _drop(middle, corners)
    loss = 1 - math.exp(-abs(drop))
    if drop > 0 and len(corners) > 2 and loss > _LEAST_FIELD and drop > 2.6 * std:
        curved = Cause(
            name="glass",
            loss=loss,
            evidence=(
                f"The corners are {100 * loss:.0f} % softer than the centre: the lens's corners "
                "or a curved field. A focus bracket tells them apart.",
            ),
            mend="Stop down, or let the corners go.",
        )
    return tilted, curved


def _drop(first: Sequence[Place], second: Sequence[Place]) -> tuple[float, float]:
    """Fall of ln MTF50 from the first to the second places, like directions compared."""
    drops, variances = [], []
    for way in ("horizontal", "vertical", "radial", "tangential"):
        ends = [
            [p.by_direction[way] for p in side if way in p.by_direction] for side in (first, second)
        ]
        if not all(ends):
            continue
        means = [
            combine([math.log(v) for v, _ in end], [std / v for v, std in end]) for end in ends
        ]
        drops.append(means[0][0] - means[1][0])
        variances.append(means[0][1] ** 2 + means[1][1] ** 2)
    if not drops:
        return 0.0, 0.0
    return float(np.mean(drops)), math.sqrt(sum(variances)) / len(variances)


def _joined(tilted: Cause | None, focus: Cause | None) -> Cause | None:
    """Both signs of focus as one cause."""
    if tilted is None or focus is None:
        return tilted or focus
    larger = max((tilted, focus), key=lambda c: c.loss or 0.0)
    return Cause(
        name="focus",
        loss=larger.loss,
        evidence=(*tilted.evidence, *focus.evidence),
        mend=larger.mend,
        otherwise=larger.otherwise,
        p_noise=tilted.p_noise,
        defocus_waves=focus.defocus_waves,
    )


def _limit(diffraction_px: float, angle_deg: float) -> float:
    """MTF50 of a perfect lens and the pixel. [cycles per px]."""
    found = crossing(
        lambda f: clear_pupil_mtf(f * diffraction_px) * pixel_mtf(f, angle_deg),
        0.5,
        1 / diffraction_px,
    )
    assert found is not None  # the transfer is 0 at the cut-off
    return found


def _defocus(shape: BlurShape, missing: float, *, is_far_off: bool) -> Cause | None:
    """Defocus, if the shape of the blur or, at a known stop, its width points to it.

    ``missing`` is the share of the predicted MTF50, pixel included, that is not there.
    """
    waves = f"{shape.defocus_waves:.1f} waves of defocus"
    misfits = (
        f"(misfit {100 * shape.defocus_misfit:.1f} % of contrast; in focus "
        f"{100 * shape.focused_misfit:.1f} %, even blur {100 * shape.even_misfit:.1f} %)"
    )
    if shape.is_defocus:
        said = f"The blur has the shape of {waves} {misfits}."
        otherwise = "spherical aberration"
    elif is_far_off:
        said = f"So wide a blur comes from {waves} or from even blur alike {misfits}."
        otherwise = "even blur"
    else:
        return None
    if shape.loss > missing:
        said += (
            f" By itself, the pixel divided out, the lens lost {100 * shape.loss:.0f} % of its "
            f"MTF50; of the picture's {100 * missing:.0f} % is missing."
        )
    return Cause(
        name="focus",
        loss=min(shape.loss, missing),
        evidence=(said, f"One frame cannot tell defocus from {otherwise}; a bracket can."),
        mend="Focus again, or shoot a bracket on a rail.",
        otherwise=otherwise,
        defocus_waves=shape.defocus_waves,
    )


def _unnamed(loss: float, missing: float, *, is_alike: bool) -> Cause:
    ways = "both directions alike, and" if is_alike else "and"
    return Cause(
        name="glass",
        loss=min(loss, missing),
        evidence=(
            f"By itself, the pixel divided out, the lens keeps {100 * (1 - loss):.0f} % of "
            f"diffraction's MTF50, {ways} the shape names no cause: aberration, slight defocus "
            "or even blur. One frame cannot tell; a bracket can.",
        ),
        mend="Shoot a bracket; if its peak is no sharper, stop down.",
    )
