"""Workbench for heater characterisation and tuning of FDM 3D printers."""

__version__ = "0.1.0"
