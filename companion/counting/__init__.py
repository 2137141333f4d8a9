"""Pure arithmetic: ticks, steps, passes, phrases, repeats, odds, forecast.

No port, clock, file or thread; positions are whole MIDI clock ticks from the start of the part.
"""
