"""A whole session on disk for the rules of assignment: empty files, made-up metadata, truth."""

from __future__ import annotations

import itertools
import math
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path

from lab.frames.frame import FrameMetadata
from lab.session import (
    Assignment,
    FrameAssignment,
    Problem,
    SessionConfig,
    assign_frames,
    exact_stop,
    parse_session,
)
from lab.session.slate_looks import SlateLook
from targets.slates import Slate

MAGNIFICATIONS = (1.0, 2.0, 3.0, 5.0)
STOPS = (2.8, 4.0, 5.6, 8.0, 11.0, 16.0)
PER_STOP = 7
STEP_UM = 20.0
# Whole stops as cameras write them (common practice, no published source).
ROUND_TIMES_S = [1 / 1000, 1 / 500, 1 / 250, 1 / 125, 1 / 60, 1 / 30, 1 / 15, 1 / 8, 1 / 4]
ROUND_TIMES_S += [1 / 2, 1.0, 2.0, 4.0, 8.0]


class Shoot:
    """A session of 4 magnifications x 6 stops x 7 frames on disk, and what is true of it.

    ``exposure`` is what the shutter does from stop to stop: "unknown" (the files do not
    say), "constant", or "made-up" for the f-number.
    """

    def __init__(
        self,
        folder: Path,
        exif: str = "absent",
        pupil_ratio: float | None = None,
        *,
        exposure: str = "unknown",
    ):
        self.folder = folder
        self.exposure = exposure
        self.looks: dict[str, SlateLook] = {}
        self.metadata: dict[str, FrameMetadata] = {}
        self.truth: dict[str, tuple[float, float, float | None]] = {}
        ratio = "" if pupil_ratio is None else f"pupil_ratio = {pupil_ratio}"
        text = f"""
            session.name = "Bellows rig"
            body = {{ name = "Club body", pixel_pitch_um = 4.35, sensor_mm = [35.9, 23.9] }}
            target.kind = "blade"
            [lens]
            name = "Enlarger 75 reversed"
            exif_f_number = "{exif}"
            {ratio}
        """
        count = 0
        for m in MAGNIFICATIONS:
            text += f"""
            [[series]]
            magnification = {m}
            stops = {list(STOPS)}
            frames_per_stop = {PER_STOP}
            focus_step_um = {STEP_UM}
            frames = "{m:g}x/*.dng"
            light = "flash"
            """
            (folder / "frames" / f"{m:g}x").mkdir(parents=True)
            for stop in STOPS:
                for i in range(PER_STOP):
                    count += 1  # 1 to 168 without leading zeros: only a natural sort counts them
                    file = f"{m:g}x/IMG_{count}.dng"
                    self.truth[file] = (m, stop, (i - 3) * STEP_UM)
                    f_number = {
                        "absent": None,
                        "marked": stop,
                        "effective": round(exact_stop(stop) * (1 + m / (pupil_ratio or 1)), 1),
                    }[exif]
                    self.add(file, count, f_number)
                    self.change(file, exposure_s=self.exposure_s(m, stop))
        self.config: SessionConfig = parse_session(text, "session.toml")

    def exposure_s(self, magnification: float, stop: float) -> float | None:
        """As cameras write it: in whole stops, rounded to 1/15, 1/30, 1/60, 1/125."""
        if self.exposure == "unknown":
            return None
        stops = 2 * math.log2(exact_stop(stop)) if self.exposure == "made-up" else 3
        return ROUND_TIMES_S[round(stops) + round(magnification)]

    def add(self, file: str, second: float, f_number: float | None = None) -> None:
        (self.folder / "frames" / file).write_bytes(b"")
        minute, rest = divmod(second, 60)
        self.metadata[file] = FrameMetadata(
            camera="Club body",
            iso=100.0,
            f_number=f_number,
            captured_at=f"2024:05:01 10:{minute:02.0f}:{rest:05.2f}",
        )

    def remove(self, file: str) -> None:
        (self.folder / "frames" / file).unlink()
        del self.metadata[file]

    def change(self, file: str, **changes: object) -> None:
        self.metadata[file] = replace(self.metadata[file], **changes)  # type: ignore[arg-type]

    def slate(self, file: str, second: float, look: SlateLook) -> None:
        """A slate frame, as what a look at its pixels gave."""
        self.add(file, second)
        self.looks[file] = look

    def slates(self, *, magnification: bool = True) -> None:
        """A slate before each stop, just before the stop's first frame."""
        for number, (m, stop) in enumerate(itertools.product(MAGNIFICATIONS, STOPS)):
            self.slate(
                f"{m:g}x/SLATE_{number + 1}.dng",
                number * PER_STOP + 0.5,
                SlateLook(
                    slate=Slate(magnification=m if magnification else None, marked_stop=stop)
                ),
            )

    def table(self, *rows: str) -> None:
        header = "file,magnification,marked_stop,focus_position_um,condition,use"
        (self.folder / "frames.csv").write_text("\n".join((header, *rows)), encoding="utf-8")

    def assign(self, hashes: Mapping[str, str] | None = None) -> Assignment:
        return assign_frames(self.config, self.folder, self.metadata, hashes, self.looks)

    def wrong(self, assignment: Assignment) -> list[str]:
        """Frames, slates apart, whose place is not the true one."""
        return [
            f.file
            for f in assignment.frames
            if f.file not in self.looks and self.truth.get(f.file) != place(f)
        ]


def place(frame: FrameAssignment) -> tuple[float | None, float | None, float | None]:
    return frame.magnification, frame.marked_stop, frame.focus_position_um


def by_file(assignment: Assignment) -> dict[str, FrameAssignment]:
    return {frame.file: frame for frame in assignment.frames}


def only(assignment: Assignment) -> Problem:
    assert len(assignment.problems) == 1, assignment.problems
    return assignment.problems[0]
