"""Registers, controls and picks: validated tables."""
