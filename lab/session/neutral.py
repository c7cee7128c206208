"""How does what is shared of a session keep its owner's file names and folders to itself?

Frames get neutral names, frame-0001 and so on in the session's order, or, where names are
wanted, the last part of their own. The same names take the place of the old ones wherever a
text speaks of a frame; the session's folder becomes SESSION, and the patterns of its series
neutral ones. Names of session, body, lens, trials and conditions are the user's choice and
stay.

Left out: what the camera writes beside the pixels. Serial numbers, owners and positions are
never read (``lab.frames.frame.FrameMetadata``), capture times enter no record.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import fields, is_dataclass, replace
from pathlib import Path, PurePosixPath
from typing import Any, TypeVar

from lab.session.config import SessionConfig
from lab.session.records import FrameRecord

__all__ = ["Renaming", "neutral_config"]

T = TypeVar("T")
_FILES = ("file", "frames_in_doubt")  # fields of records that name frames and nothing else
_TEXTS = ("cannot_say", "cautions", "notes", "reason")  # sentences that may name one


class Renaming:
    """New names of a session's frames, and their use in records and texts.

    Parameters
    ----------
    config : SessionConfig
        Its patterns are replaced in texts.
    files : sequence of str
        Every frame file that a record or a text may name, in the session's order.
    folder : Path, optional
        The session's, as the user gave it.
    with_names : bool
        Keep the last part of each name.
    """

    def __init__(
        self,
        config: SessionConfig,
        files: Sequence[str],
        *,
        folder: Path | None = None,
        with_names: bool = False,
    ) -> None:
        last = {file: PurePosixPath(file).name for file in files}
        often = Counter(last.values())
        self.names = {file: f"frame-{i:04d}" for i, file in enumerate(files, start=1)}
        if with_names:
            self.names = {
                file: _printable(last[file] if often[last[file]] == 1 else f"{last[file]} ({name})")
                for file, name in self.names.items()
            }
        words = {last[file]: name for file, name in self.names.items() if often[last[file]] == 1}
        # A last part that several frames share tells none of them.
        words |= {name: "a frame" for name, n in often.items() if n > 1}
        words |= self.names
        neutral = neutral_config(config)
        for old, new in zip(config.series, neutral.series, strict=True):
            words[f"({old.frames})"] = f"({new.frames})"
        if folder is not None:
            words |= {str(path): "SESSION" for path in (folder.absolute(), folder.resolve())}
            # As given it may be a mere "." or "f": no word to replace wherever it stands.
            words |= {
                f"stopwise measure {folder}": "stopwise measure SESSION",
                f"{folder}/frames/": "SESSION/frames/",
            }
        words |= {repr(old)[1:-1]: new for old, new in words.items()}
        self._words = words
        # The longest first: IMG_1.dng must not be found inside IMG_1.dng.tif.
        longest = sorted(words, key=len, reverse=True)
        self._pattern = re.compile("|".join(map(re.escape, longest)))

    def text(self, text: str, about: str | None = None) -> str:
        """A text with new names in it; ``about`` is the frame that it speaks of, if one."""
        own = {} if about is None else {PurePosixPath(about).name: self.names[about]}
        return _printable(self._pattern.sub(lambda found: (self._words | own)[found[0]], text))

    def record(self, record: T) -> T:
        """A result with new names in it, whatever its record."""
        changed: T = _changed(record, self._file, self.text)
        return changed

    def frame(self, frame: FrameRecord) -> FrameRecord:
        """A frame's record under its new name."""
        return replace(
            frame,
            file=self.names[frame.file],
            reason=self.text(frame.reason, frame.file),
            edges=tuple(
                replace(edge, reason=self.text(edge.reason, frame.file)) if edge.reason else edge
                for edge in frame.edges
            ),
        )

    def _file(self, file: str) -> str:
        return self.names[file]


def neutral_config(config: SessionConfig) -> SessionConfig:
    """A configuration whose patterns and layout record name no file of its owner's."""
    layout = None if config.target.layout is None else "target.json"
    return replace(
        config,
        target=replace(config.target, layout=layout),
        series=tuple(
            replace(series, frames=f"{'series' if series.trial is None else 'trial'}-{i}/*")
            for i, series in enumerate(config.series, start=1)
        ),
    )


def _changed(value: Any, file: Callable[[str], str], text: Callable[[str, str | None], str]) -> Any:
    """A value with the fields of its records changed that name files."""
    if isinstance(value, tuple):
        return tuple(_changed(one, file, text) for one in value)
    if not is_dataclass(value) or isinstance(value, type):
        return value
    about = getattr(value, "file", None)
    new: dict[str, Any] = {}
    for item in fields(value):
        old = getattr(value, item.name)
        if item.name in _FILES or item.name in _TEXTS:
            many = (old,) if isinstance(old, str) else old
            if item.name in _FILES:
                changed = tuple(map(file, many))
            else:  # a sentence in a frame's record speaks of that frame
                changed = tuple(text(one, about) for one in many)
            new[item.name] = changed[0] if isinstance(old, str) else changed
        elif isinstance(old, tuple) or is_dataclass(old):
            new[item.name] = _changed(old, file, text)
    return replace(value, **new)


def _printable(name: str) -> str:
    """A text as any terminal may show it."""
    return "".join(c if c.isprintable() else "?" for c in name)
