"""Composition: what notebooks, panel and command line call."""
