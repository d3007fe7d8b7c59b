"""What the levels stage costs, as ratios within one run; outside the gate: `python -m tests.benchmarks.ratios`."""
