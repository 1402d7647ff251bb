"""Frames, norths, declination and the sun."""
