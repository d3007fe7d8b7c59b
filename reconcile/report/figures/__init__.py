"""Figures as inline SVG: one function for each, from evidence to panels. They draw numbers and compute none."""
