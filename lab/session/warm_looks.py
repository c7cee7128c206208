"""How does a process look at one frame after another without ever being cold?

It keeps one looker, which expects the chart where it was, and has looked at a made-up frame
before the first real one arrives.
"""

from __future__ import annotations

from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np

from lab.frames import FrameMetadata, write_dng
from lab.session.quick_look import Looker, LookTask, QuickLook, look_at

__all__ = ["look_warm", "warm_up"]


def warm_up(_: None = None) -> None:
    """Pay in advance for what the first look of a process would wait for: a look at a bar."""
    rows, cols = np.mgrid[0:400, 0:600]
    bar = (rows + 0.07 * cols > 160) & (rows + 0.07 * cols < 300) & (cols > 90) & (cols < 510)
    noise = np.random.default_rng(0).normal(0, 12, bar.shape)  # invented, as all of it is
    mosaic = np.rint(np.where(bar, 900, 9000) + noise).astype(np.uint16)
    with TemporaryDirectory() as folder:
        path = Path(folder, "bar.dng")
        write_dng(
            path,
            mosaic,
            pattern="RGGB",
            black_dn=512,
            white_dn=16383,
            bits=14,
            metadata=FrameMetadata(),
        )
        look_at(LookTask(path=path, file=path.name))
    import lab.edges.loss  # noqa: F401  # for the first frame that moved


def look_warm(task: LookTask) -> QuickLook:
    """As ``Looker.look_at``, by a looker that the process keeps from look to look.

    Parameters
    ----------
    task : LookTask
    """
    return _looker().look_at(task)


@cache
def _looker() -> Looker:
    return Looker()
