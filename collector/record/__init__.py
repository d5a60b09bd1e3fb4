"""The record on local disk: journal, history, events, peaks, checkpoints, and reading them back."""
