"""The trials of the demo: which shutter time, and which support, does a hand need?

The club puts two things said among photographers to the test (common practice, no
published source): that 1/200 s is short enough for 1x by hand, and that at 3x nine frames
in ten by hand miss. Hands, speeds and flashes are invented, the second hand's scatter so
that about nine in ten do miss; what a frame shows follows from the optics.

Hands at 1x brace themselves on the table. Reference frames stand at best focus.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from lab.inference.frame_blur import SHARP_SHARE
from lab.optics.geometry import defocus_waves
from lab.optics.system import crossing
from lab.session.stops import exact_stop
from lab.simulate.hand import STAND, Hand, HandShot
from lab.simulate.movement import STILL, Movement
from lab.simulate.rig import SimulatedRig
from lab.simulate.through_focus import ThroughFocus
from lab.simulate.truth import TrueFrame, TrueTrial, best_focus

__all__ = [
    "CLUB_TRIALS",
    "DemoCondition",
    "DemoTrial",
    "TrialShot",
    "draw_trial",
    "trial_toml",
    "true_trial",
]

_FLASH_S = 1 / 4000


@dataclass(frozen=True, kw_only=True)
class DemoCondition:
    """One way of shooting: who holds the camera, shutter time, flash if there is one.

    ``flash_t01_s`` is the flash's duration above a tenth of its peak [s], ``ambient_share``
    the ambient light's share of such an exposure [-].
    """

    name: str
    hand: Hand = STAND
    exposure_s: float
    flash_t01_s: float | None = None
    ambient_share: float = 0.0


@dataclass(frozen=True, kw_only=True)
class DemoTrial:
    """Conditions in the order of shooting, the reference first.

    ``folder`` is that of the frames, ``magnification`` nominal.
    """

    name: str
    folder: str
    magnification: float
    true_magnification: float
    stop: float
    frames_per_condition: int
    conditions: tuple[DemoCondition, ...]


@dataclass(frozen=True, kw_only=True)
class TrialShot:
    """One frame as it is going to be shot."""

    condition: DemoCondition
    hand: HandShot
    movement: Movement

    def rig(self, rig: SimulatedRig) -> SimulatedRig:
        """The rig as it stands and moves in this frame."""
        return replace(
            rig,
            tilt_x_deg=rig.tilt_x_deg + self.hand.tilt_x_deg,
            tilt_y_deg=rig.tilt_y_deg + self.hand.tilt_y_deg,
            movement=self.movement,
        )


_BRACED = Hand(focus_std_um=100.0, speed_um_per_s=1500.0, tilt_std_deg=0.5)
_FREE = Hand(focus_std_um=570.0, speed_um_per_s=1500.0, tilt_std_deg=0.5)

CLUB_TRIALS = (
    DemoTrial(
        name="Shutter time by hand",
        folder="hand-1x",
        magnification=1.0,
        true_magnification=1.003,
        stop=8.0,
        frames_per_condition=8,
        conditions=(
            DemoCondition(name="stand, flash", exposure_s=1 / 200, flash_t01_s=_FLASH_S),
            DemoCondition(name="by hand, 1/200 s", hand=_BRACED, exposure_s=1 / 200),
            DemoCondition(name="by hand, 1/60 s", hand=_BRACED, exposure_s=1 / 60),
            DemoCondition(
                name="by hand, flash",
                hand=_BRACED,
                exposure_s=1 / 200,
                flash_t01_s=_FLASH_S,
                ambient_share=0.03,
            ),
        ),
    ),
    DemoTrial(
        name="Rail or hand",
        folder="hand-3x",
        magnification=3.0,
        true_magnification=3.012,
        stop=5.6,
        frames_per_condition=12,
        conditions=(
            DemoCondition(name="rail, flash", exposure_s=1 / 200, flash_t01_s=_FLASH_S),
            DemoCondition(
                name="by hand, flash",
                hand=_FREE,
                exposure_s=1 / 200,
                flash_t01_s=_FLASH_S,
                ambient_share=0.02,
            ),
        ),
    ),
)


def draw_trial(
    trial: DemoTrial, rig: SimulatedRig, rng: np.random.Generator
) -> tuple[TrialShot, ...]:
    """What the hands do, frame by frame, condition after condition.

    Parameters
    ----------
    trial : DemoTrial
    rig : SimulatedRig
    rng : numpy.random.Generator
    """
    shots = []
    for condition in trial.conditions:
        for _ in range(trial.frames_per_condition):
            hand = condition.hand.shot(rng)
            movement = hand.movement(
                condition.exposure_s,
                magnification=trial.true_magnification,
                pixel_pitch_um=rig.pixel_pitch_um,
                flash_t01_s=condition.flash_t01_s,
                ambient_share=condition.ambient_share,
            )
            shots.append(TrialShot(condition=condition, hand=hand, movement=movement))
    return tuple(shots)


def true_trial(
    trial: DemoTrial,
    rig: SimulatedRig,
    shots: tuple[TrialShot, ...],
    files: tuple[str, ...],
    *,
    channel: str,
    edge_angle_deg: float,
) -> TrueTrial:
    """What a measurement of the frames should find, at the field's centre.

    Parameters
    ----------
    trial : DemoTrial
    rig : SimulatedRig
        At rest.
    shots : tuple of TrialShot, (n,)
    files : tuple of str, (n,)
        Names of the frames.
    channel : str
        One of ``CHANNELS``.
    edge_angle_deg : float
        Of one of the centre's edges; the other lies across. [deg]

    Raises
    ------
    ValueError
        If an argument is outside its range.
    """
    m, stop = trial.true_magnification, exact_stop(trial.stop)
    focus = best_focus(
        rig, magnification=m, stop=stop, channel=channel, edge_angle_deg=edge_angle_deg
    )
    n_eff = rig.effective_f_number(m, stop)
    wavelength_um = rig.band(channel).mean_um

    def softer(shift_um: float, movement: Movement = STILL) -> float:
        """MTF50 [cycles per mm] of the softer direction, image side."""
        table = ThroughFocus(
            rig, magnification=m, stop=stop, channel=channel, low_um=shift_um, high_um=shift_um
        )
        both = [
            _mtf50(table, shift_um, angle_deg, movement)
            for angle_deg in (edge_angle_deg, edge_angle_deg + 90)
        ]
        return min(both) * 1000 / rig.pixel_pitch_um

    sharp = softer(focus.shift_um)
    frames = []
    for shot, file in zip(shots, files, strict=True):
        off_um = m**2 * shot.hand.focus_offset_object_um
        shift_um = focus.shift_um + off_um
        focus_loss = 1 - softer(shift_um) / sharp
        movement_loss = 1 - softer(focus.shift_um, shot.movement) / sharp
        frames.append(
            TrueFrame(
                file=file,
                condition=shot.condition.name,
                kind=_kind(focus_loss, movement_loss),
                length_px=shot.movement.length_px,
                axis_deg=shot.movement.axis_deg,
                speed_object_um_per_s=shot.hand.speed_um_per_s,
                defocus_waves=float(defocus_waves(off_um, n_eff, wavelength_um)),
                focus_loss=focus_loss,
                movement_loss=movement_loss,
                mtf50_image_cyc_per_mm=softer(shift_um, shot.movement),
            )
        )
    return TrueTrial(
        name=trial.name,
        magnification=trial.magnification,
        true_magnification=m,
        marked_stop=trial.stop,
        best_focus_object_um=focus.shift_um / m**2,
        mtf50_image_cyc_per_mm=sharp,
        frames=tuple(frames),
    )


def _mtf50(table: ThroughFocus, shift_um: float, angle_deg: float, movement: Movement) -> float:
    """In cycles per pixel."""
    still = table.transfer(shift_um, angle_deg)
    found = crossing(
        lambda f: still(f) * movement.transfer(f, angle_deg), 0.5, table.cutoff_cyc_per_px
    )
    assert found is not None  # the transfer is 0 at the cut-off
    return found


def _kind(focus_loss: float, movement_loss: float) -> str:
    """As a frame's blur is named: by what takes more of the MTF50."""
    if max(focus_loss, movement_loss) < SHARP_SHARE:
        return "sharp"
    return "linear" if movement_loss > focus_loss else "focus"


def trial_toml(trial: DemoTrial) -> str:
    """The tables of session.toml; shutter times are left to what the camera wrote."""
    text = f'''
[[trial]]
name = "{trial.name}"
magnification = {trial.magnification!r}
stop = {trial.stop:g}
frames = "{trial.folder}/*.dng"
frames_per_condition = {trial.frames_per_condition}
reference = "{trial.conditions[0].name}"
'''
    for condition in trial.conditions:
        text += f'''[[trial.condition]]
name = "{condition.name}"
'''
        if condition.flash_t01_s is not None:
            text += f"flash_t01_s = {condition.flash_t01_s!r}\n"
            text += f"ambient_share = {condition.ambient_share!r}\n"
    return text
