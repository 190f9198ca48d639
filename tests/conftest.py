"""What holds for all tests."""

from __future__ import annotations

import signal

# A shell ignores Ctrl-C in jobs that it runs in the background, and every program that the tests start and stop with
# Ctrl-C would inherit that.
if signal.getsignal(signal.SIGINT) is signal.SIG_IGN:
    signal.signal(signal.SIGINT, signal.default_int_handler)
