"""A second route to the MTFs of a session: a sampled pupil, its transform, no overlap integral.

The lens may have what the fitted model lacks: zonal spherical aberration (the eighth
power), an iris of straight blades that come in from a round rim, vibration.
Everything is invented.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import lru_cache

import numpy as np
import numpy.typing as npt
from scipy import ndimage

from lab.inference.lens_data import LensData
from lab.optics.sensor import pixel_mtf
from lab.optics.system import channel_band

FloatArray = npt.NDArray[np.float64]

STOPS = 2.0 ** (np.arange(3, 9) / 2)
COLOURS = {"red": 0.60, "green": 0.53, "blue": 0.46}
PITCH_UM = 4.35
_LEVELS = (0.85, 0.7, 0.55, 0.4, 0.27, 0.16)
_EDGE_DEG = (6.0, 96.0)
_S = np.linspace(0, 1.05, 180)


class Pupil:
    """Transfer of a sampled pupil, the mean of two edge directions."""

    def __init__(self, blades: int, turn: float, n: int = 128, *, limit: float = np.inf) -> None:
        """A polygon of the unit circle's area, cut off by a rim of radius ``limit``."""
        axis = (np.arange(n) - (n - 1) / 2) / (n / 4)  # the pupil's radius is 1
        x, y = np.meshgrid(axis, axis)
        radius, angle = np.hypot(x, y), np.arctan2(y, x)
        half = np.pi / blades

        def edge(inner: float, at: FloatArray) -> FloatArray:
            return np.minimum(inner / np.cos((at - turn + half) % (2 * half) - half), limit)

        circle = np.linspace(-np.pi, np.pi, 3600, endpoint=False)
        low, high = 0.5, 2.0
        for _ in range(40):  # how far in the blades stand for that area
            middle = (low + high) / 2
            is_small = np.mean(edge(middle, circle) ** 2) < 1
            low, high = (middle, high) if is_small else (low, middle)
        rim = edge(high, angle)
        self.cover = np.clip((rim - radius) / (axis[1] - axis[0]) + 0.5, 0, 1)
        self.square = radius**2
        self.n = n

    def transfer(self, *waves: float) -> FloatArray:
        """At ``_S`` of the cut-off; waves of the second, fourth, sixth, eighth power."""
        path = sum(w * self.square ** (k + 1) for k, w in enumerate(waves))
        field_ = np.fft.fft2(self.cover * np.exp(2j * np.pi * path), (2 * self.n, 2 * self.n))
        overlap = np.fft.fftshift(np.fft.ifft2(np.abs(field_) ** 2).real)
        overlap /= self.cover.sum()  # not of the squares: the rim's cells are shared
        apart = _S * self.n / 2
        lines = [
            ndimage.map_coordinates(
                overlap,
                [self.n + apart * np.sin(turn), self.n + apart * np.cos(turn)],
                order=3,
            )
            for turn in np.deg2rad(_EDGE_DEG)
        ]
        return np.asarray(np.mean(lines, axis=0))


@lru_cache(maxsize=64)
def _pupil(blades: int, turn: float, n: int, limit: float) -> Pupil:
    return Pupil(blades, turn, n, limit=limit)


@dataclass(frozen=True, kw_only=True)
class SecondLens:
    """An invented lens and rig; aberrations at the widest stop."""

    magnifications: tuple[float, ...] = (1.0, 2.0, 3.0)
    pupil_ratio: float = 0.8
    w040_um: float = 0.4
    w040_rise_um: float = 0.0
    w060_um: float = 0.0
    zonal_um: float = 0.0
    blur_um: float = 1.0
    vibration_um: float = 0.0
    ring: tuple[float, ...] = (0.0,) * 6
    colour_um: dict[str, float] = field(
        default_factory=lambda: {"red": 30.0, "green": 0.0, "blue": -15.0}
    )
    blades: int = 9
    turn: float = 0.2
    n: int = 128

    def opening(self, iris: float) -> Pupil:
        """The pupil at a true f-number of the iris: its blades come in from a round rim."""
        return _pupil(self.blades, self.turn, self.n, max(1.0, round(iris / STOPS[0], 3)))

    def f_number(self, m: float, stop: int) -> float:
        iris = STOPS[stop] * 2 ** (self.ring[stop] / 2)
        return float(iris * (1 + m / self.pupil_ratio))

    def waves(self, m: float, iris: float, wavelength: float) -> tuple[float, float, float]:
        mean = float(np.mean(self.magnifications))
        closed = STOPS[0] / iris
        primary = self.w040_um + self.w040_rise_um * (m - mean) / mean
        return (
            primary * closed**4 / wavelength,
            self.w060_um * closed**6 / wavelength,
            self.zonal_um * closed**8 / wavelength,
        )

    def rest(self, f: FloatArray) -> FloatArray:
        blur = np.exp(-2 * (np.pi * self.blur_um * 1e-3 * f) ** 2)
        return blur * pixel_mtf(f * PITCH_UM * 1e-3, 6.0) * np.sinc(f * self.vibration_um * 1e-3)

    def mtf50_at_best_focus(self, m: float, iris: float, colour: str = "green") -> float:
        """Highest MTF50 over focus [cycles per mm], one wavelength."""
        wavelength, n = COLOURS[colour], iris * (1 + m / self.pupil_ratio)
        waves = self.waves(m, iris, wavelength)
        f = _S / (wavelength * 1e-3 * n)

        def half(w20: float) -> float:
            mtf = self.opening(iris).transfer(w20, *waves) * self.rest(f)
            k = int(np.argmax(mtf < 0.5))
            return float(f[k - 1] + (mtf[k - 1] - 0.5) / (mtf[k - 1] - mtf[k]) * (f[k] - f[k - 1]))

        at = -sum(waves) + np.linspace(-0.45, 0.45, 9)
        value = np.array([half(w) for w in at])
        k = int(np.clip(np.argmax(value), 1, 7))
        bend, slope, top = np.polyfit(at[k - 1 : k + 2] - at[k], value[k - 1 : k + 2], 2)
        return float(top - slope**2 / (4 * bend))

    def best_stop(self, m: float) -> float:
        """Ring position of the highest MTF50, by a parabola through a fine grid."""
        x = np.linspace(3, 8, 21)
        ring = np.interp(x, np.arange(3, 9), self.ring)
        iris = 2 ** ((x + ring) / 2)
        value = np.array([self.mtf50_at_best_focus(m, float(one)) for one in iris])
        k = int(np.argmax(value))
        if k in (0, x.size - 1):
            return float(2 ** (x[k] / 2))
        bend, slope, _ = np.polyfit(x[k - 1 : k + 2] - x[k], value[k - 1 : k + 2], 2)
        return float(2 ** ((x[k] - slope / (2 * bend)) / 2))

    def session(
        self,
        rng: np.random.Generator,
        *,
        frames: int = 7,
        noise: float = 0.004,
        known: bool = True,
        colours: tuple[str, ...] = ("red", "green", "blue"),
        stated_pupil_ratio: float | None = None,
        step_waves: float = 0.25,
        jitter: float = 0.03,
    ) -> LensData:
        """Centre MTFs of brackets at every stop, with noise and an unsteady rail.

        ``jitter`` is how far frames lie from even steps, of a step: standard deviation.
        """
        rows: list[tuple[float, ...]] = []
        position: list[float] = []
        place: list[tuple[int, int]] = []
        for i, m in enumerate(self.magnifications):
            for k in range(STOPS.size):
                n = self.f_number(m, k)
                iris = n / (1 + m / self.pupil_ratio)
                step = step_waves * 8 * COLOURS["green"] * n**2 / m**2
                best = -0.9 * self.waves(m, iris, COLOURS["green"])[0]
                best *= 8 * COLOURS["green"] * n**2 / m**2
                shift = rng.uniform(-0.5, 0.5) * step
                rail = (np.arange(frames) - (frames - 1) / 2) * step + best
                curves: dict[str, list[tuple[int, FloatArray, FloatArray]]] = {}
                for j, z in enumerate(rail + shift + rng.normal(0, jitter * step, frames)):
                    for colour in colours:
                        wavelength = COLOURS[colour]
                        f = np.linspace(1, 980 / (wavelength * n), 400)
                        band = channel_band(wavelength)
                        mtf = np.zeros(f.size)
                        for one, weight in zip(band.wavelength_um, band.weight, strict=True):
                            w20 = (m * m * z - self.colour_um[colour]) / (8 * one * n**2)
                            line = self.opening(iris).transfer(w20, *self.waves(m, iris, one))
                            mtf += weight * np.interp(f * one * 1e-3 * n, _S, line)
                        mtf *= self.rest(f)
                        curves.setdefault(colour, []).append((len(position) + j, f, mtf))
                for c, colour in enumerate(colours):
                    sharpest = max(curves[colour], key=lambda one: float(one[2][:200].sum()))
                    at = [int(np.argmax(sharpest[2] < level)) for level in _LEVELS]
                    for frame, f, mtf in curves[colour]:
                        seen = mtf[at] + noise * (
                            0.7 * rng.normal() + 0.7 * rng.normal(size=len(at))
                        )
                        if seen[1] < 0.35:
                            continue
                        rows += [
                            (value, max(noise, 0.004), f[a], i, k, c, frame)
                            for value, a in zip(seen, at, strict=True)
                            if value > 0.1
                        ]
                position += [float(z) if known else np.nan for z in rail]
                place += [(i, k)] * frames
        figures = np.array([row[:3] for row in rows])
        indices = np.array([row[3:] for row in rows], dtype=np.intp).T
        where = np.array(place, dtype=np.intp).T
        return LensData(
            mtf=figures[:, 0],
            mtf_std=figures[:, 1],
            frequency_cyc_per_mm=figures[:, 2],
            series=indices[0],
            stop=indices[1],
            channel=indices[2],
            frame=indices[3],
            position_um=np.array(position),
            frame_series=where[0],
            frame_stop=where[1],
            files=tuple(f"frame {k}" for k in range(len(position))),
            magnifications=self.magnifications,
            nominal_magnifications=self.magnifications,
            stops=tuple(STOPS.tolist()),
            marked_stops=(2.8, 4.0, 5.6, 8.0, 11.0, 16.0),
            channels=colours,
            wavelength_um=tuple(COLOURS[c] for c in colours),
            pixel_pitch_um=PITCH_UM,
            stated_pupil_ratio=stated_pupil_ratio,
        )
