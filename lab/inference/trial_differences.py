"""Do two conditions of a trial differ, by keepers or by sharpness, and is that told?

Every pair is tested twice, and all tests of a trial are corrected together. A frame too
blurred to be measured lies below all others.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from itertools import combinations

import numpy as np

from lab.edges.types import FloatArray
from lab.inference.permutation import (
    REJECTED,
    holm,
    median_difference_interval,
    permutation_p,
)
from lab.inference.proportions import (
    difference_interval,
    exact_difference_p,
    frames_to_tell,
)
from lab.inference.trial_records import TrialCondition, TrialDifference, TrialFrame

__all__ = ["frame_values", "pair_differences"]

_SEED = 20
_LEVEL = 0.05


def frame_values(frames: Sequence[TrialFrame]) -> FloatArray:
    """MTF50 of each frame; one too blurred to be measured lies below all others."""
    return np.array(
        [REJECTED if f.mtf50_image_cyc_per_mm is None else f.mtf50_image_cyc_per_mm for f in frames]
    )


def pair_differences(
    conditions: Sequence[TrialCondition], tables: Mapping[str, Sequence[TrialFrame]]
) -> tuple[TrialDifference, ...]:
    """Every pair of conditions that have frames, by keepers and by medians."""
    rng = np.random.default_rng(_SEED)
    pairs = list(combinations(conditions, 2))
    values = {c.name: frame_values(tables[c.name]) for c in conditions}
    share_p = [
        float(exact_difference_p(a.keepers, a.frames, b.keepers, b.frames)) for a, b in pairs
    ]
    median_p = [permutation_p(values[a.name], values[b.name], rng) for a, b in pairs]
    corrected = holm([*share_p, *median_p])
    out = []
    for i, (a, b) in enumerate(pairs):
        by_share, by_median = corrected[i], corrected[len(pairs) + i]
        is_told = min(by_share, by_median) <= _LEVEL
        low, high = difference_interval(a.keepers, a.frames, b.keepers, b.frames)
        share_a, share_b = a.keepers / a.frames, b.keepers / b.frames
        medians = a.median_mtf50_image_cyc_per_mm, b.median_mtf50_image_cyc_per_mm
        both = medians[0] is not None and medians[1] is not None
        ends = median_difference_interval(values[a.name], values[b.name])
        more = None
        if not is_told:
            needed = frames_to_tell(share_a, share_b, alpha=_LEVEL / (2 * len(pairs)))
            more = None if needed is None else max(0, needed - min(a.frames, b.frames))
        out.append(
            TrialDifference(
                one=a.name,
                other=b.name,
                share_difference=share_a - share_b,
                share_low95=float(low),
                share_high95=float(high),
                share_p=share_p[i],
                share_p_corrected=by_share,
                median_difference_image_cyc_per_mm=(medians[0] or 0.0) - (medians[1] or 0.0)
                if both
                else None,
                median_low95=ends[0],
                median_high95=ends[1],
                median_p=median_p[i],
                median_p_corrected=by_median,
                is_told=is_told,
                more_frames=more,
            )
        )
    return tuple(out)
