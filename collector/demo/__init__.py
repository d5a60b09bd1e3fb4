"""The demonstration: a simulated station, a broker and the unmodified daemon, each in its own process.

Nothing of the product depends on this package, and it uses nothing of the daemon but its command
line, its operator socket and what it publishes.
"""
