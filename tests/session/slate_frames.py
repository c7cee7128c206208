"""Raw files of slates, as a camera would take them: a code, a little blurred and noisy."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from lab.frames.dng import write_dng
from lab.frames.frame import FrameMetadata
from targets.code import code_modules
from targets.slates import Slate, slate_text
from tests.bench.slate_study import SAMPLES, blurred, drawn, seen

__all__ = ["write_slate_frame"]

_BLACK_DN = 512


def write_slate_frame(path: Path, slate: Slate, metadata: FrameMetadata, *, text: str = "") -> None:
    """Write the slate, or another code's ``text`` in its place, as a DNG."""
    modules = code_modules(text or slate_text(slate), smallest=True)
    frame = seen(
        blurred(drawn(modules), 0.2),
        module_samples=SAMPLES,
        module_px=9.0,
        turn_deg=3.0,
        noise=0.02,
        rng=np.random.default_rng(11),
    )
    write_dng(
        path,
        np.clip(frame.pixels + _BLACK_DN, 0, 16383).astype(np.uint16),
        pattern="RGGB",
        black_dn=_BLACK_DN,
        white_dn=16383,
        bits=14,
        metadata=metadata,
        unique_camera_model="Club body",
    )
