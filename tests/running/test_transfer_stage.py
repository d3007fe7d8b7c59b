"""What `pool` writes beside the correction: names from the input as other programs may be given them."""

from __future__ import annotations

import csv
from pathlib import Path

from reconcile.running.store import write_document
from reconcile.running.transfer_stage import csv_text, pool
from tests.transfer.invented_projects import correction, document


def test_csv_text_quotes_what_needs_it() -> None:
    text = csv_text(["a", "b"], [["1,5", 'say "no"'], ["", "line\nbreak"]])
    assert list(csv.reader(text.splitlines(keepends=True)))[1:] == [["1,5", 'say "no"'], ["", "line\nbreak"]]


def test_pooled_files_alone_have_no_table_of_foundations(tmp_path: Path) -> None:
    paths = [tmp_path / f"{name}.json" for name in ("a", "b")]
    for i, path in enumerate(paths):
        write_document(path, document(f"=P{i}", correction(-1.0 * i)))
    out = tmp_path / "deep" / "er" / "pooled.json"
    outcome = pool(paths, out)
    assert sorted(p.name for p in out.parent.iterdir()) == ["pooled.html", "pooled.json"]
    assert outcome.unusable == {}
    assert outcome.lines[-1] == f"Pooled correction in {out}"
    again = tmp_path / "again.json"
    pool(paths, again)
    assert again.read_bytes() == out.read_bytes()  # same inputs, same bytes
    assert again.with_suffix(".html").read_bytes() == out.with_suffix(".html").read_bytes()
