"""Simulated printers: their own physics and control board behind a transport, pty or TCP port."""
