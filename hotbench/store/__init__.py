"""Run folders: append, close, recover, read, import."""
