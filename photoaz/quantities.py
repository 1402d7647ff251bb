"""What is assumed where nobody measured it: coverage factors, compasses, positions, lenses, people; each once.

Values without a source are marked 'common practice, no source'. Sigma: one standard uncertainty.
"""

from __future__ import annotations

#: coverage factor of 95 % for one quantity (normal distribution; JCGM 100:2008, table G.1)
K95 = 1.959964
#: radius that holds 95 % of positions over the standard uncertainty of each axis: sqrt(-2 ln 0.05), circular normal
RADIUS_95 = 2.4477
