"""Simulated nights: an independent instrument, a faulty line, a performer and a judge.

Everything runs in simulated time and from one seed. `python -m tests.nights SEED` replays a night
in words. What is taken for granted about the world is written in docs/faults.md.
"""
