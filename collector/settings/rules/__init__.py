"""Rules of the cross check, by what they are about. Each is a plain generator of faults.

A rule that meets a value with a fault of its own raises `Unknown` and is not run further.
"""
