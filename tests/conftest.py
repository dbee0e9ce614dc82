"""Every run of the tests draws the same inputs; ``ROBOKIT_TEST_RANDOM=1`` draws new ones."""

from __future__ import annotations

import gc
import os
import signal

from hypothesis import HealthCheck, settings

# How long drawing takes says how busy the machine is, and nothing of what is tested.
ANY_PACE = settings(deadline=None, suppress_health_check=[HealthCheck.too_slow])
# The same draws each time: more of them find nothing new. Draws anew take hypothesis' own number.
settings.register_profile("same", ANY_PACE, derandomize=True, database=None, max_examples=50)
settings.register_profile("random", ANY_PACE)
settings.load_profile("random" if os.environ.get("ROBOKIT_TEST_RANDOM") else "same")

# Who starts the tests in the background may have them ignore these, and so would all that they start.
signal.signal(signal.SIGINT, signal.default_int_handler)
for one in (signal.SIGHUP, signal.SIGQUIT, signal.SIGTERM):
    if signal.getsignal(one) is signal.SIG_IGN:
        signal.signal(one, signal.SIG_DFL)


def pytest_collection_finish() -> None:
    """
    Leave what was collected out of every search for cycles.

    Thousands of tests and cases live to the end; each full search went through all of them.
    """
    gc.collect()
    gc.freeze()
