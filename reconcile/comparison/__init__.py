"""Predictions against the sea: pairs, bias, finding."""

from reconcile.comparison.bias import bias_document
from reconcile.comparison.pairing import compare

__all__ = ["bias_document", "compare"]
