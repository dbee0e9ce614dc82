"""
Guards: code that keeps a promise, each taken away in turn to see whether a test misses it.

`guards.yaml` lists them for the table of threats and for the faults; ``python -m tests.guards``
tries all of them in a copy of the checkout.
"""
