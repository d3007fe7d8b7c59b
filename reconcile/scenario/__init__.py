"""The demonstration campaign: an invented wind farm whose truth is known."""

from __future__ import annotations

from .campaign_folder import campaign_files, chain_errors_db, write_campaign

__all__ = ["campaign_files", "chain_errors_db", "write_campaign"]
