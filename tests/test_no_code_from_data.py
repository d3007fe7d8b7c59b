"""No code is loaded from data: what the package's syntax trees must not hold."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from pathlib import Path

import reconcile

MODULES = {"pickle", "cPickle", "marshal", "shelve", "dill", "cloudpickle", "joblib", "yaml", "zipfile", "tarfile"}
CALLS = {"eval", "exec", "compile", "__import__"}  # as plain names: re.compile is another thing
ATTRIBUTES = {"read_pickle", "to_pickle", "unpack_archive", "literal_eval"}


def offences(source: str) -> Iterator[str]:
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names if alias.name.partition(".")[0] in MODULES)
        elif isinstance(node, ast.ImportFrom) and (node.module or "").partition(".")[0] in MODULES:
            yield str(node.module)
        elif isinstance(node, ast.Call):
            if isinstance(node.func, ast.Name) and node.func.id in CALLS:
                yield node.func.id
            yield from (
                "allow_pickle"
                for word in node.keywords
                if word.arg == "allow_pickle"
                and not (isinstance(word.value, ast.Constant) and word.value.value is False)
            )
        elif isinstance(node, ast.Attribute) and node.attr in ATTRIBUTES:
            yield node.attr


def test_the_package_loads_no_code_from_data() -> None:
    package = Path(reconcile.__file__).parent
    found = [
        (path.relative_to(package).as_posix(), offence)
        for path in sorted(package.rglob("*.py"))
        for offence in offences(path.read_text(encoding="utf-8"))
    ]
    assert found == []


def test_the_check_itself() -> None:
    for text in (
        "import pickle",
        "from yaml import load",
        "eval(x)",
        "np.load(f, allow_pickle=True)",
        "pd.read_pickle(f)",
    ):
        assert list(offences(text)), text
    assert not list(offences("import re\nre.compile('a')\nnp.load(f, allow_pickle=False)"))
