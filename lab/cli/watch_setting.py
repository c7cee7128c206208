"""What does ``stopwise watch`` know before the first frame, and what does it keep?

The setting is the session, or for a loose folder what the options say. ``frames.csv`` may
change while we watch and is read again then. Marks of new
brackets are all that the frames themselves cannot tell again, so they alone are kept, in
a small file beside the session's.
"""

from __future__ import annotations

import json
import math
from collections.abc import Collection
from dataclasses import dataclass, replace
from functools import lru_cache
from pathlib import Path

from lab.errors import LabError
from lab.optics.geometry import effective_f_number
from lab.optics.system import DEFAULT_WAVELENGTH_UM, channel_band, diffraction_mtf50
from lab.session.config import SessionConfig, read_session
from lab.session.frame_files import list_frames, matches
from lab.session.frame_table import TABLE_NAME, FrameRow, read_frame_table
from lab.session.guarded_process import Limits
from lab.session.inventory import sensor_pixels
from lab.session.quick_look import ChartGuess, LookTask
from lab.session.standing import Standing
from lab.session.stops import exact_stop
from lab.session.watching import Stamp, stamp_of
from lab.session.workers import limits_for
from targets.layout import Layout, read_layout

__all__ = ["MARKS_NAME", "FrameTable", "Marks", "Setting", "read_setting"]

MARKS_NAME = "watch.json"
_CHANNEL = "green"
# Steps at which a chart is sought that is at no magnification of the session: the
# registration finds it within 15 % of each.
_SCALE_STEP = 1.3
_SCALE_REACH = 1.7  # beyond what a field was printed for. Judged by us, as the next.
_SHARE_OF_TIME = 0.25  # of the limit for a measurement; a look takes a tenth of one
_UNKNOWN_PIXELS = 60e6  # of a body that no session describes. Judged by us
_MOST_OTHERS = 8  # each costs a tenth of a second, and of lost frames alone


@dataclass(frozen=True, kw_only=True)
class Setting:
    """What does not change while we watch; ``root`` holds the frames."""

    folder: Path
    root: Path
    config: SessionConfig | None
    layout: Layout | None
    magnification: float | None
    stop: float | None
    pitch_um: float | None
    loss: float

    @property
    def limits(self) -> Limits:
        """What one look may take; nobody waits for it as long as for a measurement."""
        pixels = _UNKNOWN_PIXELS if self.config is None else sensor_pixels(self.config)
        whole = limits_for(pixels)
        return replace(whole, time_s=_SHARE_OF_TIME * whole.time_s)

    def task(self, file: str, row: FrameRow | None) -> LookTask:
        """What to look for in a file; ``row`` is that of frames.csv."""
        task = LookTask(
            path=self.root / file,
            file=file,
            pixel_pitch_um=self.pitch_um,
            magnification=self.magnification,
        )
        if self.config is None:
            return task
        fits = [s for s in self.config.series if matches(s.frames, file)]
        told_by = "session.toml"
        if row is not None and row.magnification is not None:
            told_by = TABLE_NAME
            fits = [s for s in self.config.series if s.magnification == row.magnification]
        values = dict.fromkeys(s.magnification for s in fits or self.config.series)
        charts: tuple[ChartGuess, ...] = ()
        others: tuple[ChartGuess, ...] = ()
        if self.layout is not None:
            charts = tuple(
                ChartGuess(magnification=m, field=self.layout.field_for(m)) for m in values
            )
            others = tuple(_other_guesses(self.layout, list(values)))
        return replace(
            task,
            charts=charts,
            others=others,
            told_by=told_by,
            magnification=next(iter(values)),
            edge_blur_um=self.config.target.edge_blur_um,
            edge_blur_std_um=self.config.target.edge_blur_std_um,
        )

    def of_diffraction(self, now: Standing) -> float | None:
        """Newest frame's MTF50 over that of a perfect lens, where the stop is known."""
        mtf50 = None if now.newest is None else now.newest.mtf50_cyc_per_px
        magnification, stop, ratio = self.magnification, self.stop, 1.0
        wavelength_um = DEFAULT_WAVELENGTH_UM[_CHANNEL]
        if self.config is not None:
            magnification = None if now.place is None else now.place.magnification
            stop = None if now.place is None else now.place.marked_stop
            ratio = self.config.lens.pupil_ratio or 1.0
            wavelength_um = self.config.light.wavelength_um[_CHANNEL]
        if mtf50 is None or magnification is None or stop is None or self.pitch_um is None:
            return None
        return mtf50 / _perfect(magnification, stop, ratio, wavelength_um, self.pitch_um)

    def focus_step_um(self, now: Standing) -> float:
        """Rail step at the stop in hand; 0 by hand."""
        shot = now.place or now.order.next_shot
        if self.config is None or shot is None or shot.marked_stop is None:
            return 0.0
        return self.config.series[shot.series].focus_step_um(shot.marked_stop)


def _other_guesses(layout: Layout, known: list[float]) -> list[ChartGuess]:
    """The printed fields at other magnifications, those nearest to the known ones first."""
    guesses = []
    for printed in layout.fields:
        low, high = printed.magnification_low, printed.magnification_high
        first, last = low / _SCALE_REACH, high * _SCALE_REACH
        count = math.ceil(math.log(last / first) / math.log(_SCALE_STEP))
        for i in range(count + 1):
            m = first * (last / first) ** (i / count)
            seen = printed if low == high else printed.view(min(max(m, low), high))
            guesses.append(ChartGuess(magnification=m, field=seen))

    def away(guess: ChartGuess) -> float:
        return min(abs(math.log(guess.magnification / k)) for k in known)

    far = [guess for guess in guesses if away(guess) > math.log(_SCALE_STEP) / 3]
    return sorted(far, key=away)[:_MOST_OTHERS]


@lru_cache(maxsize=64)
def _perfect(
    magnification: float, stop: float, ratio: float, wavelength_um: float, pitch_um: float
) -> float:
    """MTF50 of a perfect lens and the pixel. [cycles per pixel]."""
    per_mm = diffraction_mtf50(
        wavelength_um=channel_band(wavelength_um),
        f_number=float(effective_f_number(exact_stop(stop), magnification, ratio)),
        pixel_pitch_um=pitch_um,
    )
    return per_mm * pitch_um * 1e-3


def read_setting(
    folder: Path,
    magnification: float | None,
    stop: float | None,
    pitch_um: float | None,
    loss: float,
) -> Setting:
    """Read a session, or take the options for a loose folder.

    Raises
    ------
    LabError
        If the folder, a session's file or an option is wrong.
    """
    if not folder.is_dir():
        raise LabError(f"{folder}: there is no such folder. Make it, or name another.")
    given = {"--magnification": magnification, "--stop": stop, "--pitch": pitch_um}
    for option, value in given.items():
        if value is not None and not 0 < value < 1000:
            raise LabError(f"{option} {value:g}: give a number > 0.")
    if not (folder / "session.toml").exists():
        return Setting(
            folder=folder,
            root=folder,
            config=None,
            layout=None,
            magnification=magnification,
            stop=stop,
            pitch_um=pitch_um,
            loss=loss,
        )
    surplus = [option for option, value in given.items() if value is not None]
    if surplus:
        raise LabError(f"{', '.join(surplus)}: session.toml says that already. Leave it out.")
    config = read_session(folder)
    (folder / "frames").mkdir(exist_ok=True)
    layout = None if config.target.layout is None else read_layout(folder / config.target.layout)
    if layout is not None:
        for series in config.series:
            layout.field_for(series.magnification)
    return Setting(
        folder=folder,
        root=folder / "frames",
        config=config,
        layout=layout,
        magnification=None,
        stop=None,
        pitch_um=config.body.pixel_pitch_um,
        loss=loss,
    )


class FrameTable:
    """Rows of frames.csv as they stand now; those read last where they cannot be read.

    ``trouble`` says what is wrong with the table, "" for nothing.
    """

    def __init__(self, setting: Setting) -> None:
        self._folder = None if setting.config is None else setting.folder
        self._seen: tuple[Stamp | None, frozenset[str]] | None = None
        self.rows: dict[str, FrameRow] = {}
        self.trouble = ""

    def refresh(self, files: Collection[str]) -> bool:
        """Read the table if it has changed; whether rows or trouble have.

        A table with something wrong is read again when files come or go: its row may have
        named a frame that was not there yet.
        """
        if self._folder is None:
            return False
        stamp = stamp_of(self._folder / TABLE_NAME)
        now = stamp, frozenset(files) if self.trouble else frozenset()
        if now == self._seen:
            return False
        before = self.rows, self.trouble
        try:
            self.rows = read_frame_table(self._folder, list_frames(self._folder))
            self.trouble = ""
        except LabError as error:
            what = str(error).removeprefix(f"{self._folder / TABLE_NAME}, ")
            self.trouble = f"{TABLE_NAME} is wrong and what it said before holds: {what}"
        self._seen = stamp, frozenset(files) if self.trouble else frozenset()
        return (self.rows, self.trouble) != before


class Marks:
    """Where brackets were said to begin: after which files, in the order they were set."""

    def __init__(self, folder: Path) -> None:
        self._path = folder / MARKS_NAME
        self.files: list[str] = []
        self.trouble = ""
        if self._path.exists():
            try:
                document = json.loads(self._path.read_text("utf-8"))
                self.files = [str(file) for file in document["brackets_begin_after"]]
            except (ValueError, KeyError, TypeError, OSError):
                raise LabError(
                    f"{self._path}: is not what stopwise watch wrote. Delete it to begin without "
                    "marks."
                ) from None

    def press(self, action: str, newest: str | None) -> bool:
        """Set or take back a mark; False where there is nothing to change."""
        if action == "mark" and newest is not None and newest not in self.files:
            self.files.append(newest)
        elif action == "undo" and self.files:
            self.files.pop()
        else:
            return False
        whole = json.dumps({"brackets_begin_after": self.files}, indent=1) + "\n"
        beside = self._path.with_suffix(".json.new")
        try:
            beside.write_text(whole, "utf-8")
            beside.replace(self._path)
        except OSError as error:
            self.trouble = f"{self._path}: cannot be written ({error.strerror}): marks end with us"
        return True
