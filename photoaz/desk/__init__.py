"""The desk: a page served to this machine for looking at an audit's results, correcting and deciding."""
