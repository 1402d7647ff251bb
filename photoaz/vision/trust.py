"""stub"""

from math import radians


def wrong_density() -> tuple[tuple[float, float], ...]:
    return ((0.3, radians(12.0)), (0.4, radians(35.0)))


def usual_p_right() -> float:
    return 0.9
