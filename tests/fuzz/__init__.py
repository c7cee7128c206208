"""Mutation fuzzing: does every reader of a foreign file give a result or an error of ours?

``python -m tests.fuzz`` runs it; ``python -m tests.fuzz.frames`` measures sessions in which
most raw files are broken; ``python -m tests.fuzz.make_corpus`` makes the seeds again.
"""
