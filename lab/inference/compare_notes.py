"""What makes sessions hard to compare, said in sentences for the reader.

Each sentence names the sessions by letter and says what it does to the comparison. What
differs in all of them is said once, not pair by pair.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence

from lab.inference.compare_input import KeptSession
from lab.inference.compare_records import Repeatability

__all__ = ["cautions_of", "letter_of", "repeats", "warnings_of"]

_SAME_WAVELENGTH_UM = 0.005
_FRAMES = "frames SHA-256"  # in a result's provenance
_LISTED = 8  # letters named before "and n more"
# Of stops and of magnifications: what they do to a comparison.
_FLAGS = {
    "clipped": "has clipped frames: its MTF50 may be off either way",
    "demosaiced": "was measured in pictures with interpolated colours: its figures are indicative "
    "only",
    "focus-order-unknown": "has brackets without focus positions: peaks may be missed, so its "
    "figures are lower limits",
    "magnification-off": "has a measured magnification more than 10 % from the stated one",
    "not-raw": "holds finished pictures among raw frames",
    "overshoot": "shows edges that overshoot, from sharpening or narrow light: its MTF50 is too "
    "high",
    "peak-not-bracketed": "has a focus bracket that does not enclose its peak: the figure there is "
    "a lower limit",
    "sharper-than-diffraction": "is sharper than diffraction allows: a stop, a magnification, the "
    "pitch or the pupil ratio is wrong",
    "target-limited": "is limited by its target's own edge: a sharper target may change its order",
    "tone-mapped": "was measured in finished pictures: sharpening and tone curve change MTF50",
}


def letter_of(session: int) -> str:
    """A, B, ..., Z, AA, AB, ...: what a session is called."""
    letters = ""
    number = session + 1
    while number:
        number, rest = divmod(number - 1, 26)
        letters = chr(ord("A") + rest) + letters
    return letters


def repeats(sessions: Sequence[KeptSession], several: Sequence[int]) -> list[int]:
    """Those of several sessions that share no frame with one before them."""
    out: list[int] = []
    digests: set[str | None] = set()
    frames: set[int] = set()
    for k in several:
        one = sessions[k]
        digest = one.provenance.get(_FRAMES)
        if (digest is None or digest not in digests) and frames.isdisjoint(one.frames):
            out.append(k)
            digests.add(digest)
            frames |= one.frames
    return out


def warnings_of(sessions: Sequence[KeptSession], letters: Sequence[str]) -> tuple[str, ...]:
    """Where the sessions differ in what a comparison takes to be alike."""
    out = _twins(sessions, letters)
    pitch = _split(letters, [f"{one.pixel_pitch_um:g} um" for one in sessions])
    if pitch:
        out.append(
            f"Pixel pitch differs ({pitch}): MTF50 holds the pixel's share, so this compares lens "
            "and sensor together, not lenses alone."
        )
    bodies = _split(letters, [one.body_name for one in sessions])
    if bodies and not pitch:
        out.append(
            f"Bodies differ ({bodies}) at one pixel pitch: the stack of filters before the sensor "
            "may differ too."
        )
    channel = _split(letters, [one.channel for one in sessions])
    if channel:
        out.append(f"Channels differ ({channel}): colours focus and diffract apart.")
    waves = [one.wavelength_um for one in sessions]
    if max(waves) - min(waves) > _SAME_WAVELENGTH_UM:
        split = _split(letters, [f"{wave:.3g} um" for wave in waves])
        out.append(
            f"The light's wavelength differs ({split}): diffraction alone moves MTF50 by "
            f"{100 * (max(waves) / min(waves) - 1):.0f} %."
        )
    source = _split(letters, [one.light_source for one in sessions])
    if source:
        out.append(f"What is known of the light differs in kind ({source}).")
    out += _of_targets(sessions, letters)
    pupil = _split(letters, [one.pupil for one in sessions])
    if pupil or sessions[0].pupil == "assumed":
        known = pupil or "assumed in all"
        out.append(
            f"Pupil ratio: {known}. Where it is assumed, effective f-numbers may be wrong, and "
            "with them the comparison at one effective f-number."
        )
    version = _split(letters, [one.provenance.get("stopwise version", "") for one in sessions])
    if version:
        out.append(
            f"Measured by different versions of stopwise ({version}): measure again with one."
        )
    loss = _split(letters, [one.losses for one in sessions])
    if loss:
        out.append(
            f"Kept with different permitted losses ({loss}): deepest sharp stops in their reports "
            "do not compare. Depths here use one loss."
        )
    doubtful = [letters[k] for k, one in enumerate(sessions) if not one.describes]
    if doubtful:
        out.append(
            f"{_listed(doubtful)}: no model of the lens describes the session; its curve is "
            "interpolated between the stops, and it is left out where depth is compared."
        )
    for flag, sentence in _FLAGS.items():
        having = [letters[k] for k, one in enumerate(sessions) if flag in one.flags]
        if having:
            out.append(f"{_listed(having)}: {sentence}.")
    unknown = [letters[k] for k, one in enumerate(sessions) if one.target is None]
    if unknown:
        out.append(
            f"{_listed(unknown)}: no session.toml beside the result, so target and sensor's size "
            "are not known here."
        )
    return tuple(out)


def _twins(sessions: Sequence[KeptSession], letters: Sequence[str]) -> list[str]:
    """Sessions that are one, named twice, and those that share some frames."""
    out: list[str] = []
    first: dict[str, int] = {}
    holder: dict[int, int] = {}
    for k, one in enumerate(sessions):
        frames = one.provenance.get(_FRAMES)
        twin = k if frames is None else first.setdefault(frames, k)
        if twin != k:
            out.append(
                f"{letters[twin]} and {letters[k]} hold the same frames: they are one session "
                "named twice, and their agreement proves nothing."
            )
            continue
        # Each frame is looked for in the first session that has it, so that many stay quick.
        shared = Counter(holder.setdefault(frame, k) for frame in one.frames)
        for other, count in sorted(shared.items()):
            if other != k:
                out.append(
                    f"{letters[other]} and {letters[k]} share {count} frames (of "
                    f"{len(sessions[other].frames)} and {len(one.frames)}): they are no repeats of "
                    "each other, and their agreement proves little."
                )
    if len(out) > _LISTED:
        rest = len(out) - _LISTED
        return [*out[:_LISTED], f"{rest} more times sessions share frames."]
    return out


def _of_targets(sessions: Sequence[KeptSession], letters: Sequence[str]) -> Iterator[str]:
    known = [(k, kept.target) for k, kept in enumerate(sessions) if kept.target is not None]
    own = [letters[k] for k, _ in known]
    made = _split(own, [(one.technology or "not stated") + ", " + one.kind for _, one in known])
    if made:
        yield f"Targets differ ({made}): what their edges take may differ by more than is stated."
    unstated = [letters[k] for k, one in known if one.edge_blur_um == 0]
    if unstated:
        yield (
            f"{_listed(unstated)}: the target's own edge is taken as perfect. Whatever it takes "
            "counts against the lens"
            + (
                ", while the others have theirs divided out: not a fair comparison."
                if len(unstated) < len(known)
                else "."
            )
        )


def cautions_of(
    repeatability: Repeatability | None,
    sessions: Sequence[KeptSession],
    *,
    same_target: bool,
    same_light: bool,
) -> tuple[str, ...]:
    """What to keep in mind whatever the sessions are."""
    out = [
        "The intervals hold each session's own scatter, focus and target. They do not hold what "
        "changes when the rig is taken down and put up again: alignment, light, the target's "
        "seat. A difference told apart is one between these sessions."
        + (" Measure one lens twice to learn how much that is." if repeatability is None else ""),
    ]
    if repeatability is not None and repeatability.freedom < 3:
        out.append(
            "How well sessions repeat rests on very few sessions of one lens: it is hardly known, "
            "and its limit is wide for that."
        )
    has_target = any(
        kept.target is not None and kept.target.edge_blur_std_um > 0 for kept in sessions
    )
    if has_target:
        out.append(
            "One target is said to have served all: where two sessions state the same target, its "
            "doubt cancels."
            if same_target
            else "Nothing says that one and the same target served two sessions, so its doubt is "
            "counted in both. If it did: --same-target."
        )
    lights = [curve.equal_stop.light_std for kept in sessions for curve in kept.sizes]
    if max(lights, default=0.0) > 0:
        out.append(
            "One body in one light is said to have served all: sessions that state the same body "
            "and wavelength are compared at that wavelength, and its doubt cancels."
            if same_light
            else f"The wavelength is known to {100 * max(lights):.1f} %, which at one effective "
            "f-number is most of what is not known. Nothing says that one body in one light "
            "served two sessions, so it is counted in both. If it did: --same-light."
        )
    out.append("One lens of a kind is one lens: others of the same name may differ.")
    return tuple(out)


def _split(letters: Sequence[str], values: Sequence[str]) -> str:
    """``A, C 4.35 um; B 3.76 um``, or "" where all are alike."""
    sharing: dict[str, list[str]] = {}
    for letter, value in zip(letters, values, strict=True):
        sharing.setdefault(value, []).append(letter)
    if len(sharing) < 2:
        return ""
    parts = [f"{_listed(several)} {_short(value)}" for value, several in sharing.items()]
    rest = f"; and {len(parts) - _LISTED} more" if len(parts) > _LISTED else ""
    return "; ".join(parts[:_LISTED]) + rest


def _listed(letters: Sequence[str]) -> str:
    rest = f" and {len(letters) - _LISTED} more" if len(letters) > _LISTED else ""
    return ", ".join(letters[:_LISTED]) + rest


def _short(value: str) -> str:
    return value if len(value) <= 40 else value[:39] + "\N{HORIZONTAL ELLIPSIS}"
