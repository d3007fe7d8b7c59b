"""Rows for the page's tables: text that is ready to be shown, built from tables and documents on disk."""
