"""The one failure of this package that a user can meet.

``targets`` imports no other package of the project, so its error lives here.
"""

__all__ = ["TargetError"]


class TargetError(Exception):
    """A layout record is wrong, or a target cannot be made or saved as asked."""
