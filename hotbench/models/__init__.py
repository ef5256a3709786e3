"""Pure thermal, sensor and melt functions of arrays, with declared parameters."""
