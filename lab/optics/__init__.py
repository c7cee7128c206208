"""Pure physics: close-range geometry, pupil and MTF, pixel, edge profile."""
