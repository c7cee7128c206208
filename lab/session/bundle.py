"""A measured session as one file to hand on: everything but the raw frames.

A bundle is a zip archive of these members:

``manifest.json``  ``schema``, ``stopwise_version``, ``loss_percent``, ``rules``,
                   ``with_names``, ``with_profiles``, and ``sha256``: the hash of each
                   other member
``session.toml``   the configuration, without remarks, paths or patterns of its owner's
``target.json``    the target's layout record, where the session has one
``frames.json``    frames, see ``lab.session.bundle_frames``
``curves.f64``     their curves
``result.json``    as ``lab.inference.result_json`` writes it
``trials.json``    likewise

All but ``curves.f64`` are UTF-8. Names are neutral (``lab.session.neutral``). The same
session gives the same bytes. A bundle of an earlier schema is read without profiles.

``recomputed`` works result and trials out again from the frames in it, to the same digits
where version and machine are the same. Trials need their frames' edge profiles, most of a
bundle's size: where they would make it larger than is read, they are left out.

What is not as above is a ``LabError`` (``lab.session.bundle_archive``).
"""

from __future__ import annotations

import os
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from hashlib import sha256
from importlib.metadata import version
from pathlib import Path
from typing import Any

from lab.errors import LabError, SessionError
from lab.inference.result_json import (
    SCHEMA,
    as_plain,
    checked_schema,
    from_plain,
    read_json,
    result_from_json,
    result_to_json,
    trials_from_json,
    trials_to_json,
    write_json,
)
from lab.inference.results import SIMULATED, SIMULATED_WORDS, SessionResult
from lab.inference.rules import DEFAULT_RULES
from lab.inference.trial_records import TrialResult
from lab.session.bundle_archive import (
    CURVES_NAME,
    LIMITS,
    MANIFEST_NAME,
    archived,
    archived_members,
    member_text,
    refuse,
)
from lab.session.bundle_frames import Exposure, packed_frames, read_frames
from lab.session.config import SessionConfig, parse_session
from lab.session.draft import Assignment, FrameAssignment
from lab.session.kept_result import Analysed
from lab.session.neutral import Renaming, neutral_config
from lab.session.records import FrameRecord
from lab.session.running import MeasuredSession
from lab.session.session_text import config_text
from targets.layout import Layout, read_layout

__all__ = [
    "Bundle",
    "marked",
    "read_bundle",
    "recomputed",
    "renamed",
    "session_bundle",
    "write_bundle",
]

_BUNDLE_SCHEMA = 3  # below it curves stood in frames.json, and profiles were left out
# It leads the cautions of a simulated session.
_CAUTION = f"Simulated session: {SIMULATED_WORDS[0].lower()}{SIMULATED_WORDS[1:]}"
_KEYS = ("stopwise_version", "loss_percent", "rules", "with_names", "sha256")


@dataclass(frozen=True, kw_only=True)
class Bundle:
    """A session as it is shared.

    ``with_names``: frames have the last part of their names; ``with_profiles``: trials'
    frames have what these are worked out from.
    """

    config: SessionConfig
    layout: Layout | None
    frames: tuple[FrameRecord, ...]
    exposures: tuple[Exposure, ...]
    result: SessionResult
    trials: tuple[TrialResult, ...]
    loss_percent: float
    rules: tuple[str, ...]
    with_names: bool
    with_profiles: bool
    stopwise_version: str


def session_bundle(
    folder: Path,
    measured: MeasuredSession,
    analysed: Analysed,
    *,
    loss_percent: float = 10.0,
    rules: Sequence[str] = DEFAULT_RULES,
    with_names: bool = False,
) -> Bundle:
    """A measured session and its result under the names that may be shared.

    Parameters
    ----------
    folder : Path
        The session.
    measured : MeasuredSession
    analysed : tuple
        Of ``lab.session.kept_result.analysed_session`` with the same options.
    loss_percent : float
        [%], 0 < loss < 100
    rules : sequence of str
    with_names : bool
        Keep the last part of the frames' names.

    Raises
    ------
    TargetError
        If the target's layout record cannot be read.
    """
    config = measured.config
    placed = [frame.file for frame in measured.assignment.frames]
    files = list(dict.fromkeys((*placed, *(frame.file for frame in measured.frames))))
    renaming = Renaming(config, files, folder=folder, with_names=with_names)
    layout = None if config.target.layout is None else read_layout(folder / config.target.layout)
    whole = Bundle(
        config=neutral_config(config),
        layout=layout,
        frames=measured.frames,
        exposures=tuple(
            Exposure(trial=frame.trial, condition=frame.condition, exposure_s=frame.exposure_s)
            for frame in measured.assignment.frames
            if frame.trial and frame.exposure_s
        ),
        result=marked(analysed[0], folder),
        trials=analysed[1],
        loss_percent=float(loss_percent),
        rules=tuple(rules),
        with_names=with_names,
        with_profiles=True,
        stopwise_version=version("stopwise"),
    )
    return _under(renaming, whole)


def marked(result: SessionResult, folder: Path) -> SessionResult:
    """A session's result, which says of itself whether the session is simulated."""
    from lab.simulate.truth import TRUTH_NAME

    if not (folder / TRUTH_NAME).exists():
        return result
    return replace(
        result,
        cautions=(_CAUTION, *result.cautions),
        provenance={**result.provenance, **dict([SIMULATED])},
    )


def renamed(bundle: Bundle) -> Bundle:
    """A bundle without the frames' own names."""
    if not bundle.with_names:
        return bundle
    renaming = Renaming(bundle.config, [frame.file for frame in bundle.frames])
    return _under(renaming, replace(bundle, with_names=False))


def _under(renaming: Renaming, bundle: Bundle) -> Bundle:
    from lab.inference.session_analysis import analyse_session

    frames = tuple(map(renaming.frame, bundle.frames))
    # The digest of the frames holds their names: it is that of the new ones.
    bare = replace(bundle.config, series=())
    digest = analyse_session(bare, frames, loss_percent=bundle.loss_percent).provenance
    result = renaming.record(bundle.result)
    return replace(
        bundle,
        frames=frames,
        result=replace(result, provenance={**result.provenance, **digest}),
        trials=renaming.record(bundle.trials),
    )


def recomputed(bundle: Bundle) -> Bundle:
    """The same with result and trials worked out again, from the frames and loss in it.

    Sentences on the assignment of frames, which lead the cautions, are taken as they are.

    Parameters
    ----------
    bundle : Bundle

    Raises
    ------
    LabError
        If it has trials, but not what they are worked out from.
    """
    from lab.inference.lens_result import lens_result, with_lens
    from lab.inference.session_analysis import analyse_session

    config, frames, loss = bundle.config, bundle.frames, bundle.loss_percent
    if bundle.trials and not bundle.with_profiles:
        raise LabError(
            "The bundle was made without the edge profiles of its trials' frames, which would "
            "have made it too large: its trials cannot be worked out again. Use the session."
        )
    lens = lens_result(config, frames, loss_percent=loss, rules=bundle.rules)
    result = with_lens(analyse_session(config, frames, loss_percent=loss), lens)
    told = bundle.result.cautions
    said = told[: max(0, len(told) - len(result.cautions))]
    kept = {key: one for key, one in bundle.result.provenance.items() if key == SIMULATED[0]}
    result = replace(
        result, cautions=(*said, *result.cautions), provenance={**result.provenance, **kept}
    )
    return replace(bundle, result=result, trials=tuple(_trials(bundle)))


def _trials(bundle: Bundle) -> Iterator[TrialResult]:
    from lab.inference.trial_analysis import analyse_trial

    # Of an assignment a trial needs the exposures alone.
    written = tuple(
        FrameAssignment(
            file="",
            series=None,
            magnification=None,
            marked_stop=None,
            focus_position_um=None,
            condition=one.condition,
            use=True,
            source="",
            trial=one.trial,
            exposure_s=one.exposure_s,
        )
        for one in bundle.exposures
    )
    assignment = Assignment(frames=written, problems=())
    for series in bundle.config.trials:
        try:
            yield analyse_trial(
                bundle.config, assignment, bundle.frames, series, loss_percent=bundle.loss_percent
            )
        except SessionError:  # a trial without its reference: the cautions say so
            continue


def write_bundle(bundle: Bundle, path: Path) -> None:
    """Write a bundle; what stood there before is replaced once all is written.

    Parameters
    ----------
    bundle : Bundle
    path : Path

    Raises
    ------
    LabError
        If it cannot be written, or is larger than ``read_bundle`` takes.
    """
    packed = _packed(bundle)
    if len(packed[1]) > LIMITS[CURVES_NAME]:
        bundle = replace(bundle, with_profiles=False)
        packed = _packed(bundle)
    contents = {
        "session.toml": config_text(bundle.config).encode(),
        "frames.json": packed[0].encode(),
        CURVES_NAME: packed[1],
        "result.json": result_to_json(bundle.result).encode(),
        "trials.json": trials_to_json(bundle.trials).encode(),
    }
    if bundle.layout is not None:
        plain = as_plain(Layout, bundle.layout, "target")
        contents["target.json"] = write_json({"schema": SCHEMA, "layout": plain}).encode()
    manifest = {
        "schema": _BUNDLE_SCHEMA,
        "stopwise_version": bundle.stopwise_version,
        "loss_percent": bundle.loss_percent,
        "rules": list(bundle.rules),
        "with_names": bundle.with_names,
        "with_profiles": bundle.with_profiles,
        "sha256": {name: sha256(content).hexdigest() for name, content in sorted(contents.items())},
    }
    contents[MANIFEST_NAME] = write_json(manifest).encode()
    archive = archived(contents, path)
    part = path.with_name(f"{path.name}.part")
    try:
        part.write_bytes(archive)
        os.replace(part, path)
    except OSError as error:
        part.unlink(missing_ok=True)
        raise LabError(
            f"{path}: cannot be written ({error.strerror}). Name a file in a folder that exists, "
            "that you may write to, and that has free space."
        ) from error


def read_bundle(path: Path) -> Bundle:
    """Read a bundle, whoever made it.

    Parameters
    ----------
    path : Path

    Raises
    ------
    LabError
        If it is no sound bundle of a version that is known.
    """
    members = archived_members(path)

    def where(name: str) -> str:
        return f"{path}, {name}"

    if MANIFEST_NAME not in members:
        refuse(path, f"{MANIFEST_NAME} is not in it")
    named = where(MANIFEST_NAME)
    manifest = _manifest(member_text(members.pop(MANIFEST_NAME), named), named)
    hashes = from_plain(dict[str, str], manifest["sha256"], f"{named}: sha256")
    if set(hashes) != set(members):
        refuse(path, f"{MANIFEST_NAME} lists other members than it holds")
    for name, content in members.items():
        if sha256(content).hexdigest() != hashes[name]:
            refuse(path, f"{name} is not as it was written: its SHA-256 differs")
    has_curves = manifest["schema"] >= _BUNDLE_SCHEMA
    needed = ("session.toml", "frames.json", "result.json", "trials.json")
    for name in (*needed, *([CURVES_NAME] if has_curves else [])):
        if name not in members:
            refuse(path, f"{name} is not in it")
    if not has_curves and CURVES_NAME in members:
        refuse(path, f"{CURVES_NAME} belongs in no bundle of its schema")
    curves = members.pop(CURVES_NAME) if has_curves else None
    texts = {name: member_text(content, where(name)) for name, content in members.items()}
    config = parse_session(texts["session.toml"], where("session.toml"))
    if (config.target.layout is not None) != ("target.json" in texts):
        refuse(path, "session.toml and target.json do not fit")
    loss = from_plain(float, manifest["loss_percent"], f"{named}: loss_percent")
    if not 0 < loss < 100:
        refuse(path, f"{MANIFEST_NAME}, loss_percent must lie between 0 and 100")
    frames, exposures = read_frames(texts["frames.json"], curves, path)
    return Bundle(
        config=config,
        layout=_layout(texts["target.json"], where("target.json"))
        if "target.json" in texts
        else None,
        frames=frames,
        exposures=exposures,
        result=result_from_json(texts["result.json"], where("result.json")),
        trials=trials_from_json(texts["trials.json"], where("trials.json")),
        loss_percent=loss,
        rules=from_plain(tuple[str, ...], manifest["rules"], f"{named}: rules"),
        with_names=from_plain(bool, manifest["with_names"], f"{named}: with_names"),
        with_profiles=has_curves
        and from_plain(bool, manifest["with_profiles"], f"{named}: with_profiles"),
        stopwise_version=from_plain(str, manifest["stopwise_version"], f"{named}: version"),
    )


def _packed(bundle: Bundle) -> tuple[str, bytes]:
    return packed_frames(bundle.frames, bundle.exposures, with_profiles=bundle.with_profiles)


def _manifest(text: str, where: str) -> dict[str, Any]:
    """The manifest, its version looked at first: a newer one may have other keys.

    Raises
    ------
    LabError
        If it is none of ours, or of a newer stopwise.
    """
    found = read_json(text, where)
    schema = found.get("schema") if isinstance(found, dict) else None
    if not isinstance(schema, int) or isinstance(schema, bool) or schema < 1:
        refuse(where, "has no schema number")
    if schema > _BUNDLE_SCHEMA:
        raise LabError(
            f"{where}: made by a newer stopwise (schema {schema}, this one reads "
            f"{_BUNDLE_SCHEMA}): update stopwise."
        )
    keys = (*_KEYS, "with_profiles") if schema == _BUNDLE_SCHEMA else _KEYS
    return {**checked_schema({**found, "schema": SCHEMA}, keys, where), "schema": schema}


def _layout(text: str, where: str) -> Layout:
    document = checked_schema(read_json(text, where), ("layout",), where)
    layout: Layout = from_plain(Layout, document["layout"], f"{where}: layout")
    return layout
