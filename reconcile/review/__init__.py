"""What a person who looks at strikes works with: views of them, what is doubtful, and the file of decisions.

Appends decisions, and decides nothing: they are applied by the next run.
"""
