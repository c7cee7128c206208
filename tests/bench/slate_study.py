"""How much blur, noise and turn does a slate's code bear? The study behind its sizes.

    python -m tests.bench.slate_study            all tables, about ten minutes
    python -m tests.bench.slate_study --runs 3   quicker, coarser

Codes are drawn with many samples to a module, blurred by a Gaussian or by the disc
of a defocused lens (radius twice the standard deviation), seen by square pixels
under a colour mosaic in light that falls off by a third, and read as frames are.
Each run has another text, turn (within 3 degrees), place and noise. Blur is the
standard deviation along one axis in modules, noise that of one pixel over the step
from black to white.

Not modelled: distortion, paper that is not flat, glare, moire of the screen with
its own refresh. What a printer does (dots that spread) and how a phone's pixels
look (three upright stripes) are our models, not measurements.
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Callable, Sequence
from functools import partial
from pathlib import Path

import numpy as np
import numpy.typing as npt
from scipy import ndimage, signal

from lab.errors import FrameError
from lab.frames.codes import read_codes, read_slate
from lab.frames.frame import Frame
from targets.code import SMALLEST_QR, Modules, code_modules, quiet_modules
from targets.slates import Slate, slate_text

Image = npt.NDArray[np.float64]

SAMPLES = 12  # to a module
SCREEN_SAMPLES = 36
MARGIN = 3  # modules of white beyond the quiet zone
GAINS = (0.5, 1.0, 0.6)  # of red, green and blue sites
RGGB = np.array([[0, 1], [1, 2]], np.int8)
BLACK, STEP = 300.0, 4000.0  # light of a dark module, and what a white one adds [DN]

SIGMAS = (0.1, 0.2, 0.3, 0.33, 0.36, 0.4, 0.45, 0.5, 0.6)
TURNS_DEG = (0.0, 3.0, 20.0, 45.0, 90.0)
NOISES = (0.005, 0.02, 0.05, 0.1)
MODULES_PX = (6.0, 8.0, 12.0, 24.0)
# In a frame of 4000 rows a slate's modules are 97 px (QR) and 140 px (Micro QR) or more.
TYPICAL_PX = {"QR": 12.0, "Micro QR": 24.0}
CONDITIONS = (None, "tripod", "flash", "rail, LED 2")
RIGS = (None, "bellows", "75 reversed")


def some_slate(kind: str, rng: np.random.Generator) -> tuple[Slate, Modules]:
    """One of many whose code is of a kind, "QR" or "Micro QR", and this code."""
    while True:
        slate = Slate(
            magnification=round(float(rng.uniform(1, 5)), 1),
            marked_stop=float(rng.choice([2.8, 4, 5.6, 8, 11, 16])),
            condition=CONDITIONS[rng.integers(len(CONDITIONS))],
            rig=RIGS[rng.integers(len(RIGS))],
        )
        modules = code_modules(slate_text(slate), smallest=True)
        if (len(modules) < SMALLEST_QR) == (kind == "Micro QR"):
            return slate, modules


def across(modules: Modules) -> int:
    """Modules across a drawing, quiet zone and more white included."""
    return len(modules) + 2 * (quiet_modules(modules) + MARGIN)


def drawn(modules: Modules, *, samples: int = SAMPLES) -> Image:
    """Light of a sharp code on white, (n, n), so many samples to a module."""
    dark = np.pad(np.array(modules, float), quiet_modules(modules) + MARGIN)
    return np.kron(1 - dark, np.ones((samples, samples)))


def blurred(light: Image, sigma_modules: float, *, disc: bool = False) -> Image:
    """The light of ``drawn`` through a lens with that blur."""
    sigma = sigma_modules * SAMPLES
    if not disc:
        return ndimage.gaussian_filter(light, sigma, mode="nearest")
    radius = 2 * sigma
    at = np.arange(-np.ceil(radius), np.ceil(radius) + 1)
    # Ends in a ramp one sample wide, so that its size need not be a whole number.
    kernel = np.clip(radius + 0.5 - np.hypot(at, at[:, np.newaxis]), 0, 1)
    return 1 + signal.oaconvolve(light - 1, kernel / kernel.sum(), mode="same")


def seen(
    light: Image | Sequence[Image],
    *,
    module_samples: float,
    module_px: float,
    turn_deg: float,
    noise: float,
    rng: np.random.Generator,
) -> Frame:
    """A raw frame of a drawing, or of one for each colour."""
    planes = [light] * 3 if isinstance(light, np.ndarray) else list(light)
    step = module_samples / module_px  # samples to a pixel
    # The pixel's square, upright in the drawing: its turn matters little.
    planes = [ndimage.uniform_filter(p.astype(np.float32), round(step) or 1) for p in planes]
    side = int(len(planes[0]) / step * 1.15) // 2 * 2
    at = np.arange(side) - 0.5 * (side - 1)
    row_at, col_at = at[:, np.newaxis] + rng.uniform(-0.5, 0.5), at + rng.uniform(-0.5, 0.5)
    turn = np.radians(turn_deg + rng.uniform(-3, 3) * (turn_deg > 0))
    middle = 0.5 * (len(planes[0]) - 1)
    where = (
        middle + step * (row_at * np.cos(turn) - col_at * np.sin(turn)),
        middle + step * (row_at * np.sin(turn) + col_at * np.cos(turn)),
    )
    pixels = np.empty((side, side), np.float32)
    for row, col in ((0, 0), (0, 1), (1, 0), (1, 1)):
        channel = RGGB[row, col]
        sites = [np.ascontiguousarray(w[row::2, col::2]) for w in where]
        values = ndimage.map_coordinates(planes[channel], sites, order=1, mode="nearest")
        values += noise * rng.standard_normal(values.shape, np.float32)
        pixels[row::2, col::2] = GAINS[channel] * (BLACK + STEP * values)
    pixels *= np.linspace(1, 2 / 3, side, dtype=np.float32)
    return Frame(
        path=Path("slate.dng"),
        pixels=pixels,
        pattern=RGGB,
        saturated=np.zeros((side, side), bool),
        white_dn=15000.0,
    )


def printed(modules: Modules, dots: float, spread: float, rng: np.random.Generator) -> Image:
    """A code on paper, samples as ``drawn``: edges on dots, dark dots that spread, ragged."""
    n = across(modules)
    dark = np.pad(np.array(modules, bool), quiet_modules(modules) + MARGIN)
    of_dot = np.minimum(((np.arange(round(n * dots)) + 0.5) / dots).astype(int), n - 1)
    scale = 8  # samples to a dot
    fine = np.kron(dark[np.ix_(of_dot, of_dot)], np.ones((scale, scale), bool))
    ragged = ndimage.gaussian_filter(rng.standard_normal(fine.shape), 0.3 * scale)
    ragged *= 0.15 / ragged.std()
    # Signed distance to the code's edges, in dots.
    outside = ndimage.distance_transform_edt(~fine) - ndimage.distance_transform_edt(fine)
    ink = outside / scale + ragged < spread
    return 1 - ndimage.gaussian_filter(ink.astype(float), 0.2 * scale)


def on_screen(modules: Modules, device_px: int) -> list[Image]:
    """A code on a phone: a red, a green and a blue stripe to a pixel, black between."""
    per_px = SCREEN_SAMPLES // device_px
    cell = np.zeros((3, per_px, per_px))
    for channel in range(3):
        start, stop = (round(per_px / 3 * (channel + end)) for end in (0.1, 0.9))
        cell[channel, round(0.08 * per_px) : round(0.92 * per_px), start:stop] = 1
    light = drawn(modules, samples=SCREEN_SAMPLES)
    return [light * np.tile(one / one.mean(), [len(light) // per_px] * 2) for one in cell]


def is_read(frame: Frame, slate: Slate) -> bool:
    """Whether a slate comes back as it went in; another one is the reader's error.

    Raises
    ------
    AssertionError
        If another slate comes back.
    """
    try:
        found = read_slate(frame)
    except FrameError:
        return False
    if found not in (None, slate):
        raise AssertionError(f"{slate} read as {found}")
    return found == slate


def blurred_is_read(
    kind: str,
    sigma: float,
    rng: np.random.Generator,
    *,
    module_px: float | None = None,
    turn_deg: float = 20.0,
    noise: float = 0.02,
    disc: bool = False,
) -> bool:
    """Whether some slate is read through a blur in modules."""
    slate, modules = some_slate(kind, rng)
    frame = seen(
        blurred(drawn(modules), sigma, disc=disc),
        module_samples=SAMPLES,
        module_px=TYPICAL_PX[kind] if module_px is None else module_px,
        turn_deg=turn_deg,
        noise=noise,
        rng=rng,
    )
    return is_read(frame, slate)


def printed_is_read(kind: str, dots: float, rng: np.random.Generator, *, spread: float) -> bool:
    """Whether some slate is read from paper by a sharp lens."""
    slate, modules = some_slate(kind, rng)
    light = printed(modules, dots, spread, rng)
    frame = seen(
        light,
        module_samples=len(light) / across(modules),
        module_px=TYPICAL_PX[kind],
        turn_deg=20.0,
        noise=0.02,
        rng=rng,
    )
    return is_read(frame, slate)


def shown_is_read(kind: str, device_px: int, rng: np.random.Generator, *, module_px: float) -> bool:
    """Whether some slate is read from a phone by a sharp lens."""
    slate, modules = some_slate(kind, rng)
    frame = seen(
        on_screen(modules, device_px),
        module_samples=SCREEN_SAMPLES,
        module_px=module_px,
        turn_deg=20.0,
        noise=0.02,
        rng=rng,
    )
    return is_read(frame, slate)


def percent(runs: int, one: Callable[[np.random.Generator], bool]) -> float:
    """Share of runs in which something was read, in per cent."""
    return 100 * sum(one(np.random.default_rng(1000 + i)) for i in range(runs)) / runs


def table(
    title: str,
    columns: Sequence[float],
    rows: Sequence[tuple[str, Callable[[float, np.random.Generator], bool]]],
    runs: int,
) -> None:
    """Print a table; a row is its name and whether one run of a column is read."""
    print(f"\n{title}\n{'':24}" + "".join(f"{column:6g}" for column in columns), flush=True)
    for name, one in rows:
        cells = (percent(runs, partial(one, column)) for column in columns)
        print(f"{name:24}" + "".join(f"{cell:6.0f}" for cell in cells), flush=True)


def reader_time() -> tuple[float, float]:
    """Seconds for a frame of 24 megapixels: with texture and no code, and with a slate.

    Raises
    ------
    AssertionError
        If one is not read as it should be.
    """
    rng = np.random.default_rng(5)
    texture = ndimage.zoom(rng.standard_normal((200, 300)), 20, order=1)
    pixels = np.clip(6000 + 2000 * texture + 80 * rng.standard_normal(texture.shape), 0, 15000)
    empty = Frame(
        path=Path("texture.dng"),
        pixels=pixels.astype(np.float32),
        pattern=RGGB,
        saturated=np.zeros(texture.shape, bool),
        white_dn=15000.0,
    )
    _, modules = some_slate("QR", rng)
    slate = seen(
        drawn(modules),
        module_samples=SAMPLES,
        module_px=4900 / across(modules) / 1.15,
        turn_deg=20.0,
        noise=0.02,
        rng=rng,
    )
    times = []
    for frame, count in ((empty, 0), (slate, 1)):
        if len(read_codes(frame)) != count:
            raise AssertionError("the frame for the clock is not read as it should be")
        runs = []
        for _ in range(7):
            start = time.perf_counter()
            read_codes(frame)
            runs.append(time.perf_counter() - start)
        times.append(min(runs))
    return times[0], times[1]


def main() -> None:
    """Print the tables."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--runs", type=int, default=10)
    runs = parser.parse_args().runs
    print(f"Codes read, in % of {runs} runs each. Turned by 20 degrees, noise 0.02,")
    print(f"modules of {TYPICAL_PX['QR']:g} px (QR) and {TYPICAL_PX['Micro QR']:g} px (Micro QR),")
    print("where not said otherwise.")
    for kind in TYPICAL_PX:
        read = partial(blurred_is_read, kind)
        for disc in (False, True):
            table(
                f"{kind} codes; blur ({'disc' if disc else 'Gaussian'}) in modules",
                SIGMAS,
                [(f"turned by {t:g} deg", partial(read, turn_deg=t, disc=disc)) for t in TURNS_DEG],
                runs,
            )
        table(
            f"{kind} codes; blur (Gaussian) in modules",
            SIGMAS,
            [(f"noise {noise:g}", partial(read, noise=noise)) for noise in NOISES],
            runs,
        )
        table(
            f"{kind} codes; blur (Gaussian) in modules; noise 0.1",
            SIGMAS,
            [
                (f"modules of {px:g} px", partial(read, module_px=px, noise=0.1))
                for px in MODULES_PX
            ],
            runs,
        )
        table(
            f"{kind} codes; printer's dots to a module, lens sharp",
            (1, 1.5, 2, 2.5, 3, 4),
            [
                (f"dots spread by {spread:g}", partial(printed_is_read, kind, spread=spread))
                for spread in (0, 0.25, 0.5, 0.75)
            ],
            runs,
        )
        table(
            f"{kind} codes; phone's pixels to a module, lens sharp",
            (1, 2, 3, 4),
            [
                (f"modules of {px:g} px", partial(shown_is_read, kind, module_px=px))
                for px in (12, 24)
            ],
            runs,
        )
    empty, slate = reader_time()
    print(f"\nReading 24 megapixels: {empty:.3f} s without a code, {slate:.3f} s with a slate.")


if __name__ == "__main__":
    main()
