"""Counts the frames that libsndfile decodes in this process."""

from __future__ import annotations

import pytest
import soundfile


class DecodedFrames:
    """Frames decoded since it was made; `stop_after` raises KeyboardInterrupt once so many have been read."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch) -> None:
        self.frames = 0
        self.stop_after: int | None = None
        read = soundfile.SoundFile.read

        def counting(file: soundfile.SoundFile, *args: object, **kwargs: object) -> object:
            got = read(file, *args, **kwargs)
            self.frames += len(got)
            if self.stop_after is not None and self.frames > self.stop_after:
                raise KeyboardInterrupt
            return got

        monkeypatch.setattr(soundfile.SoundFile, "read", counting)

    def taken(self) -> int:
        """Frames decoded since this was asked last."""
        frames, self.frames = self.frames, 0
        return frames
