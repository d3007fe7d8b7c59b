"""Recordings: files to blocks of pressure in pascals on the UTC axis."""
