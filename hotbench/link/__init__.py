"""The serial line: ports, the printer client and the guard process."""
