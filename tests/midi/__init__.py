"""Rehearsals on real MIDI: instruments in processes of their own, wired through JACK."""
