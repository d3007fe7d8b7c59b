"""What later projects inherit."""

from reconcile.transfer.correction import correction_document

__all__ = ["correction_document"]
