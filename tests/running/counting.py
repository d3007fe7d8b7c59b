"""Counts the frames of WAV files that are decoded in this process."""

from __future__ import annotations

import pytest

from reconcile.recordings.pcm import PcmDecoder, Samples


class DecodedFrames:
    """Frames decoded since it was made; `stop_after` raises KeyboardInterrupt once so many have been read."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch) -> None:
        self.frames = 0
        self.stop_after: int | None = None
        read = PcmDecoder.read

        def counting(decoder: PcmDecoder, first_frame: int, out: Samples) -> int:
            got = read(decoder, first_frame, out)
            self.frames += got
            if self.stop_after is not None and self.frames > self.stop_after:
                raise KeyboardInterrupt
            return got

        monkeypatch.setattr(PcmDecoder, "read", counting)

    def taken(self) -> int:
        """Frames decoded since this was asked last."""
        frames, self.frames = self.frames, 0
        return frames
