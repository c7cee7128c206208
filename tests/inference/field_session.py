"""Edge records of a whole field, from a pupil sampled on a grid: no code of ours in the optics.

A session at one magnification. Each square of a chart has its own wavefront (defocus
from the target's tilt and the field's curvature, astigmatism and coma along the radius,
spherical aberration); its transfer function is the autocorrelation of the pupil by FFT.
All figures invented.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace

import numpy as np
from scipy.ndimage import map_coordinates

from lab.session.config import Body, Lens, Light, Series, SessionConfig, Target
from lab.session.records import EdgeRecord, FrameRecord

PITCH_UM = 4.35
SENSOR_MM = (24.0, 16.0)
WAVELENGTH_UM = 0.53
FREQUENCY = np.linspace(0, 1, 81)  # cycles per pixel
_N = 128
_FALL = 0.15  # of the MTF: noise has its shape over the curve down to here


def _grid() -> tuple[np.ndarray, np.ndarray, np.ndarray, float]:
    step = 4 / _N
    x = (np.arange(_N) - (_N - 1) / 2) * step
    col, row = np.meshgrid(x, x)
    return col, row, np.clip((1 - np.hypot(col, row)) / step + 0.5, 0, 1), step


_X, _Y, _COVER, _GRID_STEP = _grid()


def _overlap(path_waves: np.ndarray) -> np.ndarray:
    pupil = _COVER * np.exp(2j * np.pi * path_waves)
    power = np.abs(np.fft.fft2(pupil, (2 * _N, 2 * _N))) ** 2
    return np.fft.fftshift(np.fft.ifft2(power)) / _COVER.sum()


def _modulus(overlap: np.ndarray, s: np.ndarray, angle_deg: float) -> np.ndarray:
    angle = math.radians(angle_deg)
    at = _N + 2 * s / _GRID_STEP * np.array([[math.sin(angle)], [math.cos(angle)]])
    real, imaginary = (map_coordinates(p, at, order=3) for p in (overlap.real, overlap.imag))
    return np.where(s <= 0, 1.0, np.where(s < 1, np.hypot(real, imaginary), 0.0))


@dataclass(frozen=True, kw_only=True)
class FieldLens:
    """Lens, rig and target. Lengths in um; object side where it says so."""

    magnification: float = 2.0
    stops: tuple[float, ...] = (2.8, 4.0, 5.6)
    n_frames: int = 7
    step_waves: float = 0.5  # of defocus at each stop
    pupil_ratio: float = 0.9
    rail: float = 1.0  # true step over the stated one
    light: float = 1.0  # true wavelength over the stated one
    ring_stops: tuple[float, ...] = (0.0, 0.0, 0.0)  # iris smaller than the mark, in stops
    jitter_um: float = 0.0  # scatter of the rail, object side
    spherical_um: float = 0.5
    blur_um: float = 1.0
    tilt_deg: tuple[float, float] = (0.1, -0.05)
    curvature_corner_um: float = 60.0  # object side
    astigmatism_corner_um: float = 150.0  # image side
    coma_corner_um: float = 0.4  # of path
    decentring_um: tuple[float, float] = (0.0, 0.0)  # coma that all places share
    trefoil_corner_um: float = 0.0  # outside the model
    squares: tuple[tuple[str, float, float], ...] = field(
        default_factory=lambda: tuple(
            (f"{row}{col}", 0.66 * x, 0.44 * y)
            for row, y in enumerate((-1, 0, 1))
            for col, x in enumerate((-1, 0, 1))
            if x or y
        )
    )
    radial: bool = False  # edges along the radius and across it, instead of the frame's sides

    def offset_object_um(self, x: float, y: float) -> float:
        """Target beyond the surface in focus at a place of the frame."""
        half_um = 500 * math.hypot(*SENSOR_MM) / self.magnification
        slope_x, slope_y = (math.tan(math.radians(t)) for t in self.tilt_deg)
        bowl = self.curvature_corner_um * (x * x + y * y)
        return half_um * (x * slope_x + y * slope_y) + bowl

    def wave(self, x: float, y: float, stop: float, f_number: float, shift_um: float) -> np.ndarray:
        """Wavefront at a place of the frame. [waves]."""
        wavelength = WAVELENGTH_UM * self.light
        radius = math.hypot(x, y)
        cos, sin = (x / radius, y / radius) if radius else (1.0, 0.0)
        along, across = _X * cos + _Y * sin, _Y * cos - _X * sin
        um = 8 * wavelength * f_number**2
        here_um = shift_um + self.magnification**2 * self.offset_object_um(x, y)
        lean_um = 0.5 * self.astigmatism_corner_um * radius**2
        q = _X**2 + _Y**2
        iris = _exact(self.stops[0]) / stop  # the widest stop as marked is what figures refer to
        coma = self.coma_corner_um * radius * along
        coma = coma + self.decentring_um[0] * _X + self.decentring_um[1] * _Y
        trefoil = self.trefoil_corner_um * radius * (along**3 - 3 * along * across**2)
        path = self.spherical_um * iris**4 * q**2 + iris**3 * (coma * q + trefoil)
        return (
            path / wavelength
            + ((here_um + lean_um) * along**2 + (here_um - lean_um) * across**2) / um
        )


def _exact(marked: float) -> float:
    return 2 ** (round(2 * math.log2(marked)) / 2)


def true_frames(lens: FieldLens, rng: np.random.Generator) -> tuple[FrameRecord, ...]:
    """Frames without noise; where brackets sit about best focus is drawn."""
    m = lens.magnification
    frames = []
    for marked, ring in zip(lens.stops, lens.ring_stops, strict=False):
        wave_um = 8 * WAVELENGTH_UM * (_exact(marked) * (1 + m / 0.9)) ** 2 / m**2  # object side
        stop = _exact(marked) * 2 ** (ring / 2)
        f_number = stop * (1 + m / lens.pupil_ratio)
        step_um = lens.step_waves * wave_um
        spherical = lens.spherical_um * (_exact(lens.stops[0]) / stop) ** 4 / WAVELENGTH_UM
        middle_um = rng.uniform(-0.4, 0.4) * step_um - spherical * wave_um
        cut_off = PITCH_UM / (WAVELENGTH_UM * lens.light * f_number)  # cycles per pixel
        blur = np.exp(-2 * (np.pi * FREQUENCY * lens.blur_um / PITCH_UM) ** 2)
        for k in range(lens.n_frames):
            position_um = middle_um + (k - (lens.n_frames - 1) / 2) * step_um
            true_um = lens.rail * position_um + lens.jitter_um * rng.normal()
            edges = []
            for square, x, y in (("centre", 0.0, 0.0), *lens.squares):
                overlap = _overlap(lens.wave(x, y, stop, f_number, m**2 * true_um))
                turn_deg = math.degrees(math.atan2(y, x)) if lens.radial else 6.0
                for name, quarter in (("right", 0), ("bottom", 90), ("left", 180), ("top", -90)):
                    if square != "centre" and name in ("left", "top"):
                        continue  # as measured: two edges of each square but the middle one
                    angle_deg = (turn_deg + quarter + 180) % 360 - 180
                    a = math.radians(angle_deg)
                    pixel = np.sinc(FREQUENCY * math.cos(a)) * np.sinc(FREQUENCY * math.sin(a))
                    mtf = _modulus(overlap, FREQUENCY / cut_off, angle_deg) * blur * pixel
                    edges.append(_edge(name, square, x, y, angle_deg, np.abs(mtf)))
            frames.append(
                FrameRecord(
                    file=f"{marked:g}_{k}.dng",
                    sha256="",
                    settings_key="",
                    magnification=m,
                    marked_stop=marked,
                    focus_position_um=position_um,
                    status="measured",
                    measured_magnification=m,
                    measured_magnification_std=1e-4,
                    edges=tuple(edges),
                )
            )
    return tuple(frames)


def _edge(
    name: str, square: str, x: float, y: float, angle_deg: float, mtf: np.ndarray
) -> EdgeRecord:
    return EdgeRecord(
        name=name,
        square=square,
        channel="green",
        direction="vertical" if name in ("left", "right") else "horizontal",
        field_x=x,
        field_y=y,
        centre_row=0.0,
        centre_col=0.0,
        angle_deg=angle_deg,
        status="measured",
        frequency_cyc_per_px=tuple(FREQUENCY.tolist()),
        mtf=tuple(mtf.tolist()),
        mtf_std=(0.0,) * FREQUENCY.size,
    )


def noisy(
    frames: tuple[FrameRecord, ...], rng: np.random.Generator, noise: float = 0.004
) -> tuple[FrameRecord, ...]:
    """The same with noise of a fitted edge: smooth along the curve, two free figures each."""

    def seen(edge: EdgeRecord) -> EdgeRecord:
        mtf = np.array(edge.mtf)
        fallen = FREQUENCY[np.argmax(mtf < _FALL)] if (mtf < _FALL).any() else 1.0
        phase = np.pi * np.minimum(FREQUENCY / fallen, 1.5)
        std = noise * np.clip(2 * FREQUENCY / fallen, 1e-3, 1.0)
        sine, cosine = rng.normal(size=2)
        mtf = mtf + std * (sine * np.sin(phase) + cosine * np.cos(phase))
        return replace(edge, mtf=tuple(mtf.tolist()), mtf_std=tuple(std.tolist()))

    return tuple(replace(frame, edges=tuple(map(seen, frame.edges))) for frame in frames)


def session_config(lens: FieldLens) -> SessionConfig:
    """What the photographer states."""
    return SessionConfig(
        name="Micromount club, field of the enlarger lens",
        body=Body(name="Club body", pixel_pitch_um=PITCH_UM, sensor_mm=SENSOR_MM),
        lens=Lens(name="Enlarger 75 reversed", pupil_ratio=0.9),
        light=Light(red_um=0.6, green_um=WAVELENGTH_UM, blue_um=0.46, source="session.toml"),
        target=Target(kind="layout", layout="target.json"),
        series=(
            Series(
                magnification=lens.magnification,
                stops=lens.stops,
                frames_per_stop=lens.n_frames,
                frames="*.dng",
                focus_steps_um=(20.0,) * len(lens.stops),
            ),
        ),
    )


def true_mtf50(lens: FieldLens, x: float, y: float, marked: float) -> tuple[float, float]:
    """Along the radius and along the circle, in cycles per mm, where their product is highest."""
    stop = _exact(marked)
    f_number = stop * (1 + lens.magnification / lens.pupil_ratio)
    wave_um = 8 * WAVELENGTH_UM * f_number**2
    spherical = lens.spherical_um * (_exact(lens.stops[0]) / stop) ** 4 / WAVELENGTH_UM
    best_um = -spherical * wave_um - lens.magnification**2 * lens.offset_object_um(x, y)
    azimuth_deg = math.degrees(math.atan2(y, x))
    frequency = np.linspace(0.02, 1, 400)  # cycles per pixel
    seen = []
    for shift_um in best_um + wave_um * np.linspace(-0.4, 0.4, 17):
        overlap = _overlap(lens.wave(x, y, stop, f_number, shift_um))
        pair = []
        for angle_deg in (azimuth_deg, azimuth_deg + 90):
            a = math.radians(angle_deg)
            pixel = np.sinc(frequency * math.cos(a)) * np.sinc(frequency * math.sin(a))
            blur = np.exp(-2 * (np.pi * frequency * lens.blur_um / PITCH_UM) ** 2)
            s = frequency * WAVELENGTH_UM * f_number / PITCH_UM
            mtf = _modulus(overlap, s, angle_deg) * blur * np.abs(pixel)
            k = int(np.argmax(mtf < 0.5))
            share = (mtf[k - 1] - 0.5) / (mtf[k - 1] - mtf[k])
            pair.append(frequency[k - 1] + share * (frequency[1] - frequency[0]))
        seen.append(pair)
    radial, tangential = max(seen, key=lambda pair: pair[0] * pair[1])
    return radial * 1e3 / PITCH_UM, tangential * 1e3 / PITCH_UM
