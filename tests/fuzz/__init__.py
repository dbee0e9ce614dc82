"""
Every reader under input that nobody meant for it.

`readers.py` names each reader of the tool, what it may refuse with, and whole examples to begin
with; `mutation.py` changes examples by their structure. `test_readers.py` draws a few such inputs
in the normal run; ``python -m tests.fuzz`` searches for as long as it is told, guided by coverage.
"""
