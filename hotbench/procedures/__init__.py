"""Tests as start, execute and shut down: what to command next."""
