"""What all tests share: nothing is asserted about how long anything takes."""

from __future__ import annotations

import contextlib
import signal

from hypothesis import settings

settings.register_profile("untimed", deadline=None)
settings.load_profile("untimed")

# A shell that runs the tests in the background tells them to ignore Ctrl-C, and so would what they start.
if signal.getsignal(signal.SIGINT) == signal.SIG_IGN:
    with contextlib.suppress(ValueError):  # not in the main thread
        signal.signal(signal.SIGINT, signal.default_int_handler)
