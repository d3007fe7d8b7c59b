"""Strikes: pressure to one row for each strike and station, and continuous levels for everything else."""
