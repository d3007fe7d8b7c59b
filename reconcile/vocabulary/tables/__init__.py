"""Every table that crosses a doorway, one file each: column, type, unit and meaning.

The same declarations make the Parquet schema (units and reference values in the field metadata), the check of what a
results folder holds, and the page that documents them.
"""

from reconcile.vocabulary.tables.background import background_table
from reconcile.vocabulary.tables.bands import bands_table
from reconcile.vocabulary.tables.blow_counts import BLOW_COUNTS
from reconcile.vocabulary.tables.column import Column, Kind, Table
from reconcile.vocabulary.tables.comparison import COMPARISON, UNPAIRED
from reconcile.vocabulary.tables.continuous import CONTINUOUS
from reconcile.vocabulary.tables.exposure import EXPOSURE
from reconcile.vocabulary.tables.flags import FLAGS, Flag, Stage, flags_excluding
from reconcile.vocabulary.tables.insertion_loss import INSERTION_LOSS
from reconcile.vocabulary.tables.limits import LIMITS
from reconcile.vocabulary.tables.phases import PHASES
from reconcile.vocabulary.tables.record import PILE_DISTANCES, RECORD
from reconcile.vocabulary.tables.rejected import REASONS, REJECTED
from reconcile.vocabulary.tables.residuals import RESIDUALS
from reconcile.vocabulary.tables.strikes import strikes_table
from reconcile.vocabulary.tables.summary import SUMMARY
from reconcile.vocabulary.tables.tones import TONES
from reconcile.vocabulary.tables.uncertainty import UNCERTAINTY

__all__ = [
    "BLOW_COUNTS",
    "COMPARISON",
    "CONTINUOUS",
    "EXPOSURE",
    "FLAGS",
    "INSERTION_LOSS",
    "LIMITS",
    "PHASES",
    "PILE_DISTANCES",
    "REASONS",
    "RECORD",
    "REJECTED",
    "RESIDUALS",
    "SUMMARY",
    "TONES",
    "UNCERTAINTY",
    "UNPAIRED",
    "Column",
    "Flag",
    "Kind",
    "Stage",
    "Table",
    "background_table",
    "bands_table",
    "flags_excluding",
    "strikes_table",
]
