"""What stands round a site: a map's buildings and landmarks, the ground, and what is seen of them from a standpoint."""
