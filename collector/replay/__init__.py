"""Replay: a trace through the very step that runs live. Reading traces, running them, writing results.

No rule of the step may be repeated here, and nothing here is used by the live daemon.
"""
