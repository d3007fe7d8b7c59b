"""The JSON documents that cross a doorway, one file each, as frozen models that read and write themselves.

Every model refuses unknown keys, writes NaN as null, and is the same after a round trip through its JSON.
"""
