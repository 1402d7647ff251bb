"""The audit's report as pages: an index of all sites and a page for each, which open from a file without a network."""

from photoaz.present.pages.index import ReportAbout
from photoaz.present.pages.write import remove_other_pages, report_pages, write_report

__all__ = ["ReportAbout", "remove_other_pages", "report_pages", "write_report"]
