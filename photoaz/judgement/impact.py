"""What a turned antenna costs those it should serve, by the published reference element pattern."""

from __future__ import annotations

from dataclasses import dataclass

from photoaz.angles import wrap_deg

# 3GPP TR 38.901 table 7.3-1, horizontal cut
BEAMWIDTH_3DB_DEG = 65.0
FRONT_TO_BACK_DB = 30.0
SECTOR_WIDTH_DEG = 120.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Impact:
    """Change of gain in dB (negative = loss) by pointing elsewhere than designed.

    boresight_db: in the design direction. edge_db: at that edge of the sector which loses more.
    """

    boresight_db: float
    edge_db: float


def gain_db(angle_deg: float) -> float:
    """Gain at an angle off boresight [deg], relative to boresight [dB], 0 or less: -min(12 (angle / 65)^2, 30).

    References
    ----------
    3GPP TR 38.901 V16.1.0, table 7.3-1.
    """
    return -min(12.0 * (wrap_deg(float(angle_deg)) / BEAMWIDTH_3DB_DEG) ** 2, FRONT_TO_BACK_DB) + 0.0  # no -0.0


def impact_db(deviation_deg: float, sector_width_deg: float = SECTOR_WIDTH_DEG) -> Impact:
    """What an antenna that points `deviation_deg` away from its design loses at boresight and at the worse edge."""
    half = 0.5 * sector_width_deg
    edges = [gain_db(edge - deviation_deg) - gain_db(edge) for edge in (half, -half)]
    return Impact(boresight_db=gain_db(deviation_deg), edge_db=min(edges))
