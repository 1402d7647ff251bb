"""Results as files, made from site documents one at a time."""
