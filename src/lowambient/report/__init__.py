"""Charts, pages and tables for people: frames that passed their schemas in, files that open from disk out."""

from lowambient.report.earlier_run import EarlierRun
from lowambient.report.facts import RunFacts
from lowambient.report.mail import write_mail
from lowambient.report.pages import write_pages
from lowambient.report.tables import write_tables
from lowambient.report.unit_page import write_unit_page, write_unit_pages

__all__ = [
    "EarlierRun",
    "RunFacts",
    "write_mail",
    "write_pages",
    "write_tables",
    "write_unit_page",
    "write_unit_pages",
]
