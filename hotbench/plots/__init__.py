"""Figures: functions that take axes and return axes."""
