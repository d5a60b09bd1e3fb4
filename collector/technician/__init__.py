"""What a technician needs at the cooling cabinet: stage schedule, live state in words, guided proof test.

Everything here reads what the step decided or steps the production step itself; no rule of control
may be put here, and nothing in it is needed for a decision.
"""
