"""The audit's report as pages: an index of all sites and a page for each, which open from a file without a network."""

from photoaz.present.pages.about import ReportAbout, ReportInput
from photoaz.present.pages.write import write_report

__all__ = ["ReportAbout", "ReportInput", "write_report"]
