"""What every step of the work on a mix needs: its job, room in scratch, open files, and a stopwatch."""

from __future__ import annotations

import contextlib
import itertools
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path

from fairtake.errors import FairtakeError
from fairtake.files.take import Take, open_take
from fairtake.master import Job
from fairtake.rounds import Progress, Stopwatch
from fairtake.sound.listen import Heard, listen
from fairtake.sound.source import Samples, Source


@dataclass
class Workbench:
    """The work on one mix. *passes* is how often something will be heard before it is mixed."""

    job: Job
    scratch: Path
    progress: Progress
    passes: int
    opened: contextlib.ExitStack
    stopwatch: Stopwatch = field(default_factory=Stopwatch)
    _numbers: Iterator[int] = field(default_factory=itertools.count)
    _heard: int = 0

    @property
    def rate(self) -> int:
        """The sample rate of the axis, which is that of the finished files."""
        return self.job.profile.sample_rate_hz

    def new_place(self, name: str) -> Path:
        """A path in scratch that nothing has yet."""
        return self.scratch / f"{next(self._numbers)}-{name}"

    def open(self, path: Path, known_as: str) -> Take:
        """A file of the mix, open until the mix is done. Raises as `open_take`, and names the file."""
        with of_file(known_as):
            longest_s, decoded = self.job.profile.delivery.longest_s, self.new_place("decoded.wav")
            take = open_take(path, self.scratch, longest_s, decoded.name)
            return self.opened.enter_context(take)

    def hear(
        self, source: Source, blemishes: bool = False, true_peak: bool = True, voice: bool = True
    ) -> Heard:
        """`listen`, and tell how far the mix is."""
        with self.stopwatch.timing("listen"):
            heard = listen(source, self._share(), blemishes, true_peak, voice)
        self._heard += 1
        return heard

    def told(self, blocks: Iterator[Samples], frames: int) -> Iterator[Samples]:
        """*blocks* on their way into a file of *frames* samples, telling how far they are."""
        done = 0
        for block in blocks:
            yield block
            done += len(block)
            self.progress("render", min(done / max(frames, 1), 1.0))

    def _share(self) -> Callable[[float], None]:
        begun = self._heard
        return lambda share: self.progress("listen", min((begun + share) / self.passes, 1.0))


@contextlib.contextmanager
def of_file(name: str) -> Iterator[None]:
    """Let an error say of which file of the mix it speaks."""
    try:
        yield
    except FairtakeError as e:
        raise type(e)(f"{e.detail} It is '{name}' of the mix.".strip()) from e.__cause__
