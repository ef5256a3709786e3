"""A simulated printer with physics and a control board of its own."""
