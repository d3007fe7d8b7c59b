"""Results that are already on disk to one self-contained page. Nothing is computed here that is not in a table."""

from reconcile.report.evidence import Evidence
from reconcile.report.page import contents, page, rendered

__all__ = ["Evidence", "contents", "page", "rendered"]
