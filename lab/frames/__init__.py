"""Frames: raw files and images as linear pixels, what was set, and how noisy they are."""

from lab.frames.dng import BAYER_PATTERNS, write_dng
from lab.frames.frame import CHANNELS, Frame, FrameMetadata
from lab.frames.metadata import read_metadata
from lab.frames.noise import estimate_noise, noise_from_pair
from lab.frames.reader import frame_hash, read_frame

__all__ = [
    "BAYER_PATTERNS",
    "CHANNELS",
    "Frame",
    "FrameMetadata",
    "estimate_noise",
    "frame_hash",
    "noise_from_pair",
    "read_frame",
    "read_metadata",
    "write_dng",
]
