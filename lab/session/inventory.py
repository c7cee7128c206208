"""What lies in a session's folder, and where does each frame belong?

Metadata and hashes are read from all files; every frame is looked at once for a slate,
and what was seen is kept in the results store by the file's hash. Nothing is measured.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path

from lab.errors import SessionError
from lab.frames import FrameMetadata, read_metadata
from lab.frames.metadata import metadata_from_tags, read_tags
from lab.session.assign import assign_frames
from lab.session.config import SessionConfig, read_session
from lab.session.draft import Assignment, Problem, listed
from lab.session.frame_checks import companion_files
from lab.session.frame_files import list_frames
from lab.session.guarded_process import GuardedProcess, Limits
from lab.session.measuring import hash_of
from lab.session.slate_looks import (
    SlateLook,
    look_for_slate,
    looks_from_json,
    looks_to_json,
)
from lab.session.store import ResultsStore
from lab.session.workers import Progress, Run, Work, default_workers, limits_for, worker_pool

__all__ = [
    "STORE_NAME",
    "Inventory",
    "kept_looks",
    "look_over_session",
    "looked_over",
    "read_inventory",
]

STORE_NAME = "results.sqlite"
_SLATES = "slates"  # the looks' key among the store's summaries


@dataclass(frozen=True)
class Inventory:
    """What the files of a session are, without a look at their pixels."""

    folder: Path
    config: SessionConfig
    metadata: Mapping[str, FrameMetadata]
    hashes: Mapping[str, str]

    @property
    def pixels(self) -> float:
        """Pixels of the sensor, as session.toml describes it."""
        width_mm, height_mm = self.config.body.sensor_mm
        return width_mm * height_mm / (1e-3 * self.config.body.pixel_pitch_um) ** 2

    def assigned(self, looks: Mapping[str, SlateLook]) -> Assignment:
        """Every frame's place, with looks by hash."""
        seen = {file: looks[sha256] for file, sha256 in self.hashes.items() if sha256 in looks}
        return assign_frames(self.config, self.folder, self.metadata, self.hashes, seen)

    def unseen(self, looks: Mapping[str, SlateLook]) -> list[tuple[str, Path]]:
        """Hash and path of the files not looked at yet, copies once."""
        companions = companion_files(list(self.hashes))
        paths = {
            sha256: self.folder / "frames" / file
            for file, sha256 in self.hashes.items()
            if sha256 and sha256 not in looks and file not in companions
        }
        return list(paths.items())

    def unreadable(self, looks: Mapping[str, SlateLook]) -> tuple[Problem, ...]:
        """A problem for each reason why files could not be read."""
        files: dict[str, list[str]] = {}
        for file, sha256 in self.hashes.items():
            if sha256 in looks and looks[sha256].unreadable:
                files.setdefault(looks[sha256].unreadable, []).append(file)
        return tuple(
            Problem(
                severity="error",
                text=f"Cannot be read: {listed(names)}: {reason}",
                files=tuple(names),
            )
            for reason, names in files.items()
        )


def read_inventory(folder: Path) -> Inventory:
    """Read a session's configuration, its frames' metadata and hashes.

    Raises
    ------
    SessionError
        If the folder or session.toml is wrong, or there are no frames.
    """
    config = read_session(folder)
    files = list_frames(folder)
    if not files:
        raise SessionError(
            f"{folder}: no frame file under frames/. Copy the raw files there as session.toml says."
        )
    paths = {file: folder / "frames" / file for file in files}
    reader = GuardedProcess(Limits())
    try:
        metadata = {file: _metadata(path, reader) for file, path in paths.items()}
    finally:
        reader.end()
    return Inventory(
        folder=folder,
        config=config,
        metadata=metadata,
        hashes={file: hash_of(path) for file, path in paths.items()},
    )


def _metadata(path: Path, reader: GuardedProcess) -> FrameMetadata:
    """As ``read_metadata``, the raw decoder's share of it in a process of its own."""
    tags = read_tags(path)
    if tags:
        return metadata_from_tags(tags)
    outcome = reader.ask(read_metadata, path)
    return FrameMetadata() if outcome.loss else outcome.result


def look_over_session(
    folder: str | Path,
    *,
    workers: int | None = 1,
    slate_progress: Progress | None = None,
) -> tuple[SessionConfig, Assignment]:
    """Give every frame of a session its place, and measure nothing.

    Files that cannot be read are among the problems.

    Parameters
    ----------
    folder : str or Path
        The session.
    workers : int or None
        Processes to look for slates, >= 1. What they see is kept in the store. None: as many
        as cores and memory allow.
    slate_progress : callable, optional
        Called with (frames looked at, frames in all), if any must be looked at.

    Raises
    ------
    SessionError
        If the session, one of its tables or its store is wrong.
    ValueError
        If workers is not >= 1.
    """
    inventory = read_inventory(Path(folder))
    inventory.assigned({})  # a wrong frames.csv is told before any frame is decoded
    if workers is None:
        workers = default_workers(inventory.pixels)
    pool = worker_pool(workers, limits_for(inventory.pixels))
    with ResultsStore(inventory.folder / STORE_NAME) as store, pool as run:
        looks = looked_over(inventory, store, run, slate_progress)
    assignment = inventory.assigned(looks)
    problems = (*assignment.problems, *inventory.unreadable(looks))
    return inventory.config, replace(assignment, problems=problems)


def kept_looks(store: ResultsStore) -> dict[str, SlateLook]:
    """Looks by hash that the store holds."""
    return looks_from_json(store.get_summary(_SLATES))


def looked_over(
    inventory: Inventory, store: ResultsStore, run: Run, progress: Progress | None
) -> dict[str, SlateLook]:
    """Looks by hash of all frames: those of the store, and new ones, which it then keeps.

    Parameters
    ----------
    inventory : Inventory
    store : ResultsStore
    run : callable
        Of ``worker_pool``.
    progress : callable, optional
        Called with (frames looked at, frames in all), if any must be looked at.
    """
    looks = kept_looks(store)
    unseen = inventory.unseen(looks)
    if not unseen:
        return looks
    done, total = len(inventory.hashes) - len(unseen), len(inventory.hashes)
    if progress is not None:
        progress(done, total)
    try:
        for sha256, look in run(_LOOKING, unseen):
            done += 1
            looks[sha256] = look
            if progress is not None:
                progress(done, total)
    finally:  # an interrupt keeps what was seen so far
        known = {h: look for h, look in looks.items() if h in inventory.hashes.values()}
        store.put_summary(_SLATES, looks_to_json(known))
    return looks


def _look_for_slate(frame: tuple[str, Path]) -> tuple[str, SlateLook]:
    return frame[0], look_for_slate(frame[1])


def _unseen(frame: tuple[str, Path], loss: str) -> tuple[str, SlateLook]:
    return frame[0], SlateLook(unreadable=loss)


_LOOKING = Work(do=_look_for_slate, lost=_unseen, path=lambda frame: frame[1])
