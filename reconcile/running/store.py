"""What is written to and read from a results folder: always by a temporary name that then takes the file's place.

Libraries of tables are imported where a table is met: the stage that reads recordings needs none meanwhile.
"""

from __future__ import annotations

import os
from collections.abc import Iterable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import TYPE_CHECKING, TypeVar

import numpy as np
from pydantic import ValidationError

from reconcile.vocabulary.documents.document import Document
from reconcile.vocabulary.errors import Fault, MachineError, ResultsError
from reconcile.vocabulary.tables import Kind, Table

if TYPE_CHECKING:
    import pandas as pd
    import pyarrow as pa

    from reconcile.spreading.stored_bands import StoredBands

DocumentT = TypeVar("DocumentT", bound=Document)


@contextmanager
def replacing(path: Path) -> Iterator[Path]:
    """A temporary name beside `path`, which takes its place when the block ends well and is removed when not.

    Raises MachineError naming the path where the machine refuses.
    """
    temporary = path.with_name(f".{path.name}.{os.getpid()}.part")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        yield temporary
        os.replace(temporary, path)
    except OSError as error:
        raise MachineError(str(path), error.strerror or str(error)) from error
    finally:
        with suppress(OSError):  # not there where all went well, nor where its folder could not be made
            temporary.unlink()


def write_text(path: Path, text: str) -> None:
    """Write a UTF-8 text file."""
    with replacing(path) as temporary:
        temporary.write_text(text, encoding="utf-8")


def write_bytes(path: Path, pieces: Iterable[bytes]) -> None:
    """Write a file from its pieces."""
    with replacing(path) as temporary, temporary.open("wb") as stream:
        stream.writelines(pieces)


def write_document(path: Path, document: Document) -> None:
    """Write a JSON document."""
    write_text(path, document_text(document))


def document_text(document: Document) -> str:
    """A JSON document as it is written."""
    return document.model_dump_json(indent=1) + "\n"


def read_document(path: Path, kind: type[DocumentT], made_by: str) -> DocumentT:
    """Read a JSON document of a results folder.

    Raises ResultsError where it is missing (then `made_by` says which command makes it) or is not such a document.
    """
    try:
        return kind.model_validate_json(path.read_bytes())
    except FileNotFoundError as error:
        raise ResultsError([Fault(str(path), "", "no such file", f"run `reconcile {made_by}` first")]) from error
    except ValidationError as error:
        first = error.errors()[0]
        where = ".".join(str(part) for part in first["loc"])
        raise ResultsError(
            [Fault(str(path), where, first["msg"], f"a file that `reconcile {made_by}` wrote")]
        ) from error
    except OSError as error:
        raise MachineError(str(path), error.strerror or str(error)) from error


def to_arrow(frame: pd.DataFrame, table: Table) -> pa.Table:
    """A data frame as an Arrow table by its declaration: types, units in the schema, NaN as null."""
    import pyarrow as pa

    arrays = []
    schema = table.schema()
    for column, field in zip(table.columns, schema, strict=True):
        values = frame[column.name]
        if column.kind in (Kind.LEVEL, Kind.SHORT_LEVEL):
            arrays.append(pa.array(values.to_numpy(dtype=np.float64), from_pandas=True).cast(field.type))
        else:
            arrays.append(pa.Array.from_pandas(values, type=field.type))
    return pa.Table.from_arrays(arrays, schema=schema)


def write_table(results: Path, table: Table, frames: Iterable[pd.DataFrame]) -> int:
    """Write a table as one Parquet file, one row group for each frame; returns the number of rows."""
    import pyarrow.parquet as pq

    n_rows = 0
    schema = table.schema()
    with (
        replacing(results / f"{table.name}.parquet") as temporary,
        pq.ParquetWriter(temporary, schema, compression="zstd", use_dictionary=_repeated(schema)) as writer,
    ):
        for frame in frames:
            writer.write_table(to_arrow(frame, table))
            n_rows += len(frame)
    return n_rows


def read_strikes(results: Path, without: Iterable[str] = ()) -> pd.DataFrame:
    """The table `strikes` without some columns; its flags are a category, each a tuple of them.

    Millions of rows have a few hundred sets of flags: as lists of their own these alone take most of the memory.
    Raises as `read_table`.
    """
    import pandas as pd
    import pyarrow as pa
    import pyarrow.compute as pc
    import pyarrow.parquet as pq

    path = _table_path(results, "strikes", "levels")
    with _whole(path, "levels"):
        names = [name for name in pq.read_schema(path).names if name not in {"flags", *without}]
        frame = pd.read_parquet(path, columns=names)
        lists = pq.read_table(path, columns=["flags"]).column(0)
        joined = pc.binary_join(lists.cast(pa.list_(pa.string())), " ").combine_chunks().dictionary_encode()
        sets = [tuple(text.split()) for text in joined.dictionary.to_pylist()]
        kinds = pd.Index([*sets, *([] if () in sets else [()])], dtype=object, tupleize_cols=False)
        codes = joined.indices.fill_null(list(kinds).index(())).to_numpy(zero_copy_only=False)
        frame["flags"] = pd.Categorical.from_codes(codes, categories=kinds)
    return frame


def _repeated(schema: pa.Schema) -> list[str]:
    """Columns that are worth a dictionary of their values: levels hardly ever repeat."""
    import pyarrow as pa

    within_lists = {True: ".list.element", False: ""}
    kept = (field for field in schema if not pa.types.is_floating(field.type))
    return [field.name + within_lists[pa.types.is_list(field.type)] for field in kept]


def read_table(results: Path, name: str, made_by: str, columns: list[str] | None = None) -> pd.DataFrame:
    """Read a table of a results folder as a data frame. Raises ResultsError where it is missing or damaged."""
    import pandas as pd

    path = _table_path(results, name, made_by)
    with _whole(path, made_by):
        return pd.read_parquet(path, columns=columns)


def stored_bands(results: Path) -> StoredBands:
    """The table `bands`, whose columns are read when they are asked for. Raises as `read_table`."""
    from reconcile.spreading.stored_bands import StoredBands

    path = _table_path(results, "bands", "levels")
    with _whole(path, "levels"):
        return StoredBands(path)


def _table_path(results: Path, name: str, made_by: str) -> Path:
    path = results / f"{name}.parquet"
    if not path.exists():
        raise ResultsError([Fault(str(path), "", "no such table", f"run `reconcile {made_by}` first")])
    return path


@contextmanager
def _whole(path: Path, made_by: str) -> Iterator[None]:
    """What a damaged file raises, in words."""
    import pyarrow as pa

    try:
        yield
    except (OSError, pa.ArrowException, ValueError) as error:
        raise ResultsError(
            [Fault(str(path), "", f"a damaged table ({error})", f"run `reconcile {made_by}` again")]
        ) from error
