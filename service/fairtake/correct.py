"""What the files already written tell about the next round: pure figures in, a correction out."""

from __future__ import annotations

from dataclasses import dataclass, replace

from fairtake.sound.overs import Over
from fairtake.sound.plan import Correction
from fairtake.sound.proof import UNHARMED, Proof
from fairtake.sound.spared import added
from fairtake.sound.spared import wanted as spared_by
from fairtake.sound.stages.limit import LimitSettings

#: A file this far off its level, in dB, is made again.
LEVEL_TOLERANCE_DB = 0.05
#: When a ceiling was passed, the next round aims this much lower than what would just do.
CEILING_MARGIN_DB = 0.05
#: The same where an MP3 passed it in one place: not all that is taken there comes out again as less.
OVER_MARGIN_DB = 0.15
#: So much an encoder adds to peaks, as a rule: a first round keeps away from the ceiling by as much more.
MP3_ADDS_DB = 0.3
#: By how much another meter may read an MP3's true peak higher than the standard's filter, measured on
#: loud noise. The WAV keeps away from its ceiling by more, but what an encoder adds is only seen here.
MP3_GUARD_DB = 0.15
#: Where that may matter the MP3 is heard again with the closer filter, and this is what is left of it.
MP3_CLOSE_DB = 0.03
#: A level that stays this far under what was planned is not raised on and on: the limiter eats it.
MOST_RAISE_DB = 2.0


@dataclass(frozen=True)
class Seen:
    """What one round showed. Levels in the target's unit, peaks in dBTP; None: not measured."""

    planned_level: float
    wav_level: float | None
    wav_peak_dbtp: float
    greatest_reduction_db: float
    mp3_level: float | None = None
    mp3_peak_dbtp: float | None = None
    stages: Proof = UNHARMED  # of the stages alone
    speech: Proof = UNHARMED  # with the limiter
    mp3_overs: tuple[
        Over, ...
    ] = ()  # where the MP3 comes nearer to the ceiling than `MP3_CLOSE_DB`

    def over_db(self, ceiling_dbtp: float) -> float:
        """How far the louder of the two files stands above the ceiling; negative when below."""
        over_db = self.wav_peak_dbtp - ceiling_dbtp
        return (
            over_db
            if self.mp3_peak_dbtp is None
            else max(over_db, self.mp3_peak_dbtp - ceiling_dbtp)
        )


def corrected(seen: Seen, used: Correction, limit: LimitSettings) -> Correction:
    """The correction for another round; *used* itself when the files are right."""
    over_db = max(seen.wav_peak_dbtp - limit.ceiling_dbtp, 0.0)
    wanted = sparing(used, seen.stages, seen.speech)
    if over_db:
        wanted = replace(wanted, ceiling_db=wanted.ceiling_db + over_db + CEILING_MARGIN_DB)
    if seen.mp3_overs:
        lower = (replace(over, db=over.db + OVER_MARGIN_DB) for over in seen.mp3_overs)
        wanted = replace(wanted, overs=(*wanted.overs, *lower))
    if seen.wav_level is not None:
        missing_db = seen.planned_level - seen.wav_level
        # Past what the limiter may take, and past what raising still helps, the level gives way.
        room_db = limit.most_reduction_db - seen.greatest_reduction_db - over_db
        missing_db = min(missing_db, max(room_db, 0.0), max(MOST_RAISE_DB - used.level_db, 0.0))
        if abs(missing_db) > LEVEL_TOLERANCE_DB:
            if seen.greatest_reduction_db > LEVEL_TOLERANCE_DB and not used.peaks_known:
                # What the limiter does was only guessed; now it can be worked out.
                wanted = replace(wanted, peaks_known=True)
            else:
                wanted = replace(wanted, level_db=wanted.level_db + missing_db)
        if seen.mp3_level is not None and abs(seen.wav_level - seen.mp3_level) > LEVEL_TOLERANCE_DB:
            wanted = replace(wanted, mp3_db=wanted.mp3_db + seen.wav_level - seen.mp3_level)
    return wanted


def sparing(used: Correction, stages: Proof, speech: Proof) -> Correction:
    """*used*, and what harmed speech does nothing there: *used* itself where no more was harmed.

    *stages* is the proof of the stages alone, *speech* the one with the limiter.
    """
    spared = added(used.spared, spared_by(stages, speech))
    return used if spared == used.spared else replace(used, spared=spared)


def turned_down(seen: Seen, used: Correction, limit: LimitSettings) -> Correction:
    """When limiting and encoding chase each other: the same sound, softer until the ceiling holds."""
    over_db = seen.over_db(limit.ceiling_dbtp)
    if over_db <= 0:
        return used
    return replace(used, down_db=used.down_db + over_db + CEILING_MARGIN_DB)
