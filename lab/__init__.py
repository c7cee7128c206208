"""stopwise: measure what a lens does at close range, and which stop to use.

The public face as plain functions and records; each loads its module when first
used, so that importing this package costs nothing.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from lab.edges.combine import combine as combine
    from lab.edges.find import find_edges as find_edges
    from lab.edges.locus import raggedness_spectrum as raggedness_spectrum
    from lab.edges.measure import EdgeMeasurement as EdgeMeasurement
    from lab.edges.measure import measure_edge as measure_edge
    from lab.edges.register import register_field as register_field
    from lab.edges.target_blur import without_target_blur as without_target_blur
    from lab.edges.types import EdgeRegion as EdgeRegion
    from lab.edges.types import NoiseModel as NoiseModel
    from lab.edges.types import Rejection as Rejection
    from lab.errors import FrameError as FrameError
    from lab.errors import LabError as LabError
    from lab.errors import SessionError as SessionError
    from lab.frames import estimate_noise as estimate_noise
    from lab.frames import read_frame as read_frame
    from lab.frames.codes import read_slate as read_slate
    from lab.inference.colour import lateral_colour as lateral_colour
    from lab.inference.depth_plan import plan_depth as plan_depth
    from lab.inference.lens_data import lens_data as lens_data
    from lab.inference.lens_fit import fit_lens as fit_lens
    from lab.inference.lens_result import lens_result as lens_result
    from lab.inference.rules import judge_rules as judge_rules
    from lab.inference.session_analysis import analyse_session as analyse_session
    from lab.optics.geometry import depth_of_field as depth_of_field
    from lab.optics.geometry import effective_f_number as effective_f_number
    from lab.optics.illumination import lighting_advice as lighting_advice
    from lab.optics.illumination import lighting_sentences as lighting_sentences
    from lab.optics.partial_coherence import partially_coherent_edge as partially_coherent_edge
    from lab.optics.system import diffraction_mtf as diffraction_mtf
    from lab.optics.system import diffraction_mtf50 as diffraction_mtf50
    from lab.optics.system import system_mtf as system_mtf
    from lab.session.measuring import measure_frame as measure_frame
    from lab.session.new_session import new_session as new_session
    from lab.session.plan import plan_rig as plan_rig
    from lab.session.rig_file import read_rig as read_rig
    from lab.session.running import measure_session as measure_session
    from lab.session.running import stored_session as stored_session
    from lab.session.target_estimate import estimate_target as estimate_target
    from lab.session.target_need import target_need as target_need

_HOME = {
    "lighting_sentences": "lab.optics.illumination",
    "plan_depth": "lab.inference.depth_plan",
    "judge_rules": "lab.inference.rules",
    "lens_result": "lab.inference.lens_result",
    "lens_data": "lab.inference.lens_data",
    "fit_lens": "lab.inference.lens_fit",
    "partially_coherent_edge": "lab.optics.partial_coherence",
    "target_need": "lab.session.target_need",
    "read_slate": "lab.frames.codes",
    "lighting_advice": "lab.optics.illumination",
    "estimate_target": "lab.session.target_estimate",
    "raggedness_spectrum": "lab.edges.locus",
    "without_target_blur": "lab.edges.target_blur",
    "lateral_colour": "lab.inference.colour",
    "estimate_noise": "lab.frames",
    "EdgeMeasurement": "lab.edges.measure",
    "EdgeRegion": "lab.edges.types",
    "FrameError": "lab.errors",
    "LabError": "lab.errors",
    "NoiseModel": "lab.edges.types",
    "Rejection": "lab.edges.types",
    "SessionError": "lab.errors",
    "analyse_session": "lab.inference.session_analysis",
    "combine": "lab.edges.combine",
    "depth_of_field": "lab.optics.geometry",
    "diffraction_mtf": "lab.optics.system",
    "diffraction_mtf50": "lab.optics.system",
    "effective_f_number": "lab.optics.geometry",
    "find_edges": "lab.edges.find",
    "measure_edge": "lab.edges.measure",
    "measure_frame": "lab.session.measuring",
    "measure_session": "lab.session.running",
    "new_session": "lab.session.new_session",
    "plan_rig": "lab.session.plan",
    "read_rig": "lab.session.rig_file",
    "read_frame": "lab.frames",
    "register_field": "lab.edges.register",
    "stored_session": "lab.session.running",
    "system_mtf": "lab.optics.system",
}

__all__ = sorted(_HOME)


def __getattr__(name: str) -> object:
    if name not in _HOME:
        raise AttributeError(f"module 'lab' has no attribute {name!r}")
    return getattr(import_module(_HOME[name]), name)
