"""How many processes may work at once: the processors that are granted, not those that the machine has."""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path

_MOUNT, _OWN = Path("/sys/fs/cgroup"), Path("/proc/self/cgroup")


def available_workers() -> int:
    """Processors that this process may use: by its affinity and by the limits of its container."""
    granted = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1
    return max(1, min([granted, *(int(share) for share in processor_shares(_MOUNT, _OWN))]))


def processor_shares(mount: Path, own: Path) -> Iterator[float]:
    """Processors that each control group around this process grants: quota over period; nothing where none is set.

    `own` lists the groups of the process, as in Linux' /proc/self/cgroup; both versions of the file system are read.
    """
    for line in _text(own).splitlines():
        number, controllers, group = line.split(":", 2)
        if number == "0":
            roots = [mount]
        elif "cpu" in controllers.split(","):
            roots = [mount / controllers, mount / "cpu"]
        else:
            continue
        for root in roots:
            inside = root / group.lstrip("/")
            for folder in [inside, *(p for p in inside.parents if p == root or root in p.parents)]:
                yield from _share(folder)


def _share(folder: Path) -> Iterator[float]:
    quota, _, period = _text(folder / "cpu.max").partition(" ")
    if not quota:
        quota, period = _text(folder / "cpu.cfs_quota_us"), _text(folder / "cpu.cfs_period_us")
    if quota.isdecimal() and period.isdecimal() and int(period):
        yield int(quota) / int(period)


def _text(path: Path) -> str:
    try:
        return path.read_text(encoding="ascii").strip()
    except (OSError, UnicodeDecodeError):
        return ""
