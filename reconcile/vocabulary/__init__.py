"""Words that every room uses; no files, no signal processing."""
