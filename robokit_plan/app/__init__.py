"""
What the tool does, as functions from values to values: no arguments of a process, no terminal.

Each use case is a module; `cli/` parses what was typed, calls one, prints its answer and leaves
with its status.
"""
