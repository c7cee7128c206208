"""A session on disk: its rig and series, the place of each frame, its results."""

from lab.session.assign import assign_frames
from lab.session.config import (
    Body,
    Lens,
    Light,
    Series,
    SessionConfig,
    Target,
    parse_session,
    read_session,
)
from lab.session.draft import Assignment, FrameAssignment, Problem
from lab.session.frame_files import list_frames
from lab.session.records import EdgeRecord, FrameRecord
from lab.session.stops import exact_stop
from lab.session.store import ResultsStore

__all__ = [
    "Assignment",
    "Body",
    "EdgeRecord",
    "FrameAssignment",
    "FrameRecord",
    "Lens",
    "Light",
    "Problem",
    "ResultsStore",
    "Series",
    "SessionConfig",
    "Target",
    "assign_frames",
    "exact_stop",
    "list_frames",
    "parse_session",
    "read_session",
]
