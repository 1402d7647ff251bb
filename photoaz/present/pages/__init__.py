"""The audit's report as pages: an index of all sites and a page for each, which open from a file without a network."""

from photoaz.present.pages.about import ReportAbout
from photoaz.present.pages.write import write_report

__all__ = ["ReportAbout", "write_report"]
