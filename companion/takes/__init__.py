"""Takes: what was played, kept to be looked at afterwards, and how it went.

The engine puts down what happens (`record`), which becomes events (`story`) in one database
(`store`). From there they are written out (`export`), held against the plan (`score`) and shown
(`view`, `report`). What the engine imports stays small; numpy, matplotlib and textual are for those
who look at a take.
"""
