"""How the finder of panels is made: scenes, training, export, evaluation. Needs a checkout and the extra `training`."""
