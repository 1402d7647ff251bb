"""From pixels to evidence."""
