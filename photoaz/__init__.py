"""A second opinion on antenna azimuths from geotagged ground photos."""

__version__ = "0.1.0"
