"""From recordings of foundation installation to the bias of the pre-construction noise prediction."""

__version__ = "0.1.0"
