"""The commands: one module each, wired in ``main``."""
