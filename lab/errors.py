"""The errors a user can meet, as one tree.

``LabError``
    ``FrameError``      a file that is no usable frame
    ``SessionError``    a session folder, its tables or its store

An impossible target or a wrong layout record is ``targets.TargetError``: that
package stands alone. Each message says what is wrong, where, and the mend. Commands print it
without a traceback and exit 2. Wrong arguments to a function are
``ValueError``; a region that cannot be measured is no error at all but a
``lab.edges.Rejection``.
"""

__all__ = ["FrameError", "LabError", "SessionError"]


class LabError(Exception):
    """Base of every failure a user can meet."""


class FrameError(LabError):
    """A file cannot be read as a frame."""


class SessionError(LabError):
    """A session folder, one of its tables, or its results store is wrong."""
