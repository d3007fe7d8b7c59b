"""`ro-crate-metadata.json`: where the results come from, by RO-Crate 1.1 (https://w3id.org/ro/crate/1.1).

What was read (with its SHA-256), what was made of it, by which software and which stages. Digests of the files made
stand in the manifest. The date is the one on which the levels were made; nothing is said of when this file was written.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any
from urllib.parse import quote

from reconcile.report.data_package import media_type
from reconcile.report.inert import inert_json
from reconcile.vocabulary.documents.manifest import Manifest

_CONTEXT = "https://w3id.org/ro/crate/1.1/context"
_PROFILE = "https://w3id.org/ro/crate/1.1"
_SOFTWARE, _RUN = "#reconcile", "#run"
_ABOUT = {
    "report.html": "the report",
    "report.pdf": "the report as PDF",
    "manifest.json": "inputs, outputs, chains, settings and versions, with digests",
    "results.xlsx": "all tables as a workbook",
    "datapackage.json": "every column of every table",
}
Entity = dict[str, Any]


def ro_crate(title: str, manifest: Manifest, outputs: Sequence[str]) -> str:
    """The metadata as JSON-LD. `outputs` are the files of the results folder by their paths in it."""
    inputs = {f"#input/{quote(name, safe='/')}": (name, digest) for name, digest in sorted(manifest.inputs.items())}
    names = sorted(outputs)
    root: Entity = {
        "@id": "./",
        "@type": "Dataset",
        "name": title,
        "description": "Measured underwater sound of foundation installation, and predictions held against it.",
        "license": "All rights are those of who made the recordings; the results state none of their own.",
        "hasPart": [_of(_file_id(name)) for name in names],
        "mentions": [_of(_RUN)],
        **_dates(manifest),
    }
    people = _people(manifest)
    graph = [
        {
            "@id": "ro-crate-metadata.json",
            "@type": "CreativeWork",
            "conformsTo": _of(_PROFILE),
            "about": _of("./"),
        },
        root,
        *(_file(name) for name in names),
        *(_input(key, name, digest) for key, (name, digest) in inputs.items()),
        _run(inputs, names, people, manifest),
        _software(manifest),
        *people,
    ]
    return inert_json({"@context": _CONTEXT, "@graph": graph})


def _of(key: str) -> Entity:
    return {"@id": key}


def _file_id(name: str) -> str:
    return quote(name, safe="/")


def _dates(manifest: Manifest) -> Entity:
    found: Entity = {}
    made = [stage.ended_utc for stage in manifest.stages if stage.stage == "levels"]
    if made:
        found["datePublished"] = made[-1].date().isoformat()
    if manifest.streams:
        first = min(stream.start_utc for stream in manifest.streams).date().isoformat()
        last = max(stream.end_utc for stream in manifest.streams).date().isoformat()
        found["temporalCoverage"] = f"{first}/{last}"
    return found


def _file(name: str) -> Entity:
    kind: Entity = {"@id": _file_id(name), "@type": "Dataset" if name.endswith("/") else "File", "name": name}
    if media := media_type(name):
        kind["encodingFormat"] = media
    if name in _ABOUT:
        kind["description"] = _ABOUT[name]
    return kind


def _input(key: str, name: str, digest: str | None) -> Entity:
    """An input: not a part of the crate, so a thing of its own, known by its digest."""
    found: Entity = {"@id": key, "@type": "CreativeWork", "name": name}
    if media := media_type(name):
        found["encodingFormat"] = media
    return {**found, "identifier": f"sha256:{digest}"} if digest else found


def _run(inputs: Mapping[str, Any], names: Sequence[str], people: Sequence[Entity], manifest: Manifest) -> Entity:
    stages = [stage.stage for stage in manifest.stages if stage.stage != "report"]
    run: Entity = {
        "@id": _RUN,
        "@type": "CreateAction",
        "name": f"reconcile: {', '.join([*stages, 'report'])}",
        "instrument": _of(_SOFTWARE),
        "object": [_of(key) for key in inputs],
        "result": [_of(_file_id(name)) for name in names],
    }
    return {**run, "participant": [_of(person["@id"]) for person in people]} if people else run


def _software(manifest: Manifest) -> Entity:
    libraries = [f"{name} {version}" for name, version in manifest.versions.items() if name != "reconcile"]
    return {
        "@id": _SOFTWARE,
        "@type": "SoftwareApplication",
        "name": "reconcile",
        "softwareVersion": manifest.versions.get("reconcile", "not known"),
        "softwareRequirements": sorted(libraries),
    }


def _people(manifest: Manifest) -> list[Entity]:
    """Who took decisions about strikes: the only people that a results folder knows."""
    names = sorted({entry.who for entry in manifest.decisions if entry.who})
    return [{"@id": f"#person/{quote(name, safe='')}", "@type": "Person", "name": name} for name in names]
