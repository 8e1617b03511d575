"""Every way a take, the surroundings or the settings can fail.

Errors are sorted by whose fault they are, because that decides what happens to the take:

* the take's: quarantine now, never tried again; a take on which a worker or the encoder died gets
  its attempts first;
* the surroundings': the take stays where it is, work is tried again later, no attempt is used up;
* the settings': the service refuses to start, or the take is quarantined with the line to mend
  when the settings came with it.

The docstring of a class is its message. ``code`` is stable: programs and the README rely on it.
``advice`` says what a person can do.
"""

from __future__ import annotations

from inspect import cleandoc

from fairtake.text import one_line


class FairtakeError(Exception):
    """Something went wrong."""

    code = "error"
    advice = "Please report this with the log."

    def __init__(self, detail: str = "") -> None:
        self.detail = detail
        super().__init__(detail)

    @property
    def message(self) -> str:
        """One or two sentences: the class's own, then the detail of this case, fit to be shown."""
        sentence = " ".join(cleandoc(type(self).__doc__ or "").split())
        return f"{sentence} {one_line(self.detail)}".strip()

    def __str__(self) -> str:
        return self.message


# --- the take's fault ------------------------------------------------------------------------


class TakeFault(FairtakeError):
    """The take cannot be finished."""

    code = "take-fault"


class NotAudio(TakeFault):
    """This file is not audio in any format fairtake reads."""

    code = "not-audio"
    advice = "Export the recording as WAV or FLAC and drop that."


class EmptyFile(TakeFault):
    """The file holds no bytes."""

    code = "empty"
    advice = "The copy never began or the recorder saved nothing. Copy the take again."


class HeaderOnly(TakeFault):
    """The file has a header and no sound behind it."""

    code = "header-only"
    advice = "The recorder stopped before it stored anything. Look for the take on the recorder."


class CutShort(TakeFault):
    """The file ends before the place its own header gives as its end."""

    code = "cut-short"
    advice = "The copy broke off. Copy the take again from where it was recorded."


class Damaged(TakeFault):
    """The sound in the file could not be decoded to its end."""

    code = "damaged"
    advice = "Copy the take again. If the source is damaged too, export what can be saved as WAV."


class NotAFile(TakeFault):
    """This is a link, a pipe or another thing that only looks like a file."""

    code = "not-a-file"
    advice = "Drop the recording itself, as a plain file."


class SecondName(TakeFault):
    """The file has a second name elsewhere (a hard link), by which it may still be changed."""

    code = "second-name"
    advice = "Drop a copy, or remove the other name."


class Unreadable(TakeFault):
    """The file may not be read."""

    code = "unreadable"
    advice = "Give the account that runs fairtake the right to read the take, then requeue it or run the command again."


class PathTooLong(TakeFault):
    """The folders that the take lies in leave no room for the names of its finished files."""

    code = "path-too-long"
    advice = "Drop it in folders with shorter names. `fairtake requeue` puts it into the inbox itself, without its folders."


class Silent(TakeFault):
    """The take is silent from end to end."""

    code = "silent"
    advice = "Check the microphone, its cable and the recorder's input, then record again."


class NoSpeech(TakeFault):
    """The take holds room tone and no speech."""

    code = "no-speech"
    advice = "If there is speech, it is buried in the room's noise: record closer or louder."


class TooShort(TakeFault):
    """The take is shorter than 0.4 s, too short for its loudness to be measured."""

    code = "too-short"
    advice = "Join it to its neighbour and drop the result."


class TooLong(TakeFault):
    """The take is longer than its profile allows."""

    code = "too-long"
    advice = "Split it into parts, or raise delivery.longest_s where the place of delivery agrees."


class NotFinite(TakeFault):
    """The take holds samples that are not numbers."""

    code = "not-finite"
    advice = "An effect in the recording chain broke. Export the take again without it."


class TooManyChannels(TakeFault):
    """The take has more than two channels."""

    code = "too-many-channels"
    advice = "Export the voice alone, as mono or stereo."


class UnsupportedEncoding(TakeFault):
    """The container is known, but not the way the sound is coded inside it."""

    code = "encoding-unsupported"
    advice = "Export the recording as WAV with 16 or 24 bits and drop that."


class UnsupportedRate(TakeFault):
    """The sample rate is outside 16 to 192 kHz."""

    code = "sample-rate-unsupported"
    advice = "Record or export at 44.1 or 48 kHz."


class TargetUnreachable(TakeFault):
    """The profile's level cannot be reached under its ceiling without harm to the sound."""

    code = "target-unreachable"
    advice = (
        "Record with less distance between loud and quiet, allow more limiting "
        "(limit.fast_db, limit.most_reduction_db), or accept the nearest level "
        "(normalise.when_out_of_reach)."
    )


class MixIncomplete(TakeFault):
    """A file that the mix's cues.toml names is not there, or is not whole."""

    code = "mix-incomplete"
    advice = (
        "Put the missing files beside cues.toml, then requeue the folder or run the command again."
    )


class MixTooDeep(TakeFault):
    """Folders in the mix lie too deep in one another."""

    code = "mix-too-deep"
    advice = "A mix needs no folders: put its files beside cues.toml, then requeue it or run the command again."


class CueSilent(TakeFault):
    """A sound of the mix is silent where it is used."""

    code = "cue-silent"
    advice = "Name another part of the file in cues.toml, or another file."


class EncoderFailed(TakeFault):
    """The MP3 encoder fails on this take or its cover, and on nothing else."""

    code = "encoder-failed"
    advice = "Try without the cover or with another, or export the recording anew as WAV."


class WorkerCrashed(TakeFault):
    """The worker died on this take, more than once."""

    code = "worker-crashed"
    advice = "The file breaks the programs that read it. Export the recording anew as WAV."


class FailsAlone(TakeFault):
    """Drive or machine fail on this take again and again, while other takes are finished."""

    code = "fails-alone"
    advice = "Copy the take again from where it was recorded. If its copy here cannot be read, look at the drive."


class WorkerHung(TakeFault):
    """Work on this take did not end in the time allowed, more than once."""

    code = "worker-hung"
    advice = "Export the recording anew as WAV, or raise hang_s in fairtake.toml."


# --- the surroundings' fault -----------------------------------------------------------------


class SurroundingsFault(FairtakeError):
    """The machine or the drive could not do its part."""

    code = "surroundings"
    advice = "The take is safe and will be tried again. Look at the drive and the machine."


class DiskFull(SurroundingsFault):
    """There is no room left to write the finished files."""

    code = "disk-full"
    advice = "Free some space. The take is safe and will be tried again."


class NoRoom(SurroundingsFault):
    """The take is too large for the room that is left to work on it."""

    code = "no-room"
    advice = "Free some space, or name a larger drive as state in fairtake.toml. The take is safe and will be tried again."


class FolderGone(SurroundingsFault):
    """A folder of the service cannot be reached."""

    code = "folder-gone"
    advice = "Bring the drive back. The take is safe and will be tried again."


class OutOfHandles(SurroundingsFault):
    """Too many files are open at once."""

    code = "out-of-handles"
    advice = "Raise the limit of open files (LimitNOFILE= in the unit, ulimit -n)."


class NotPermitted(SurroundingsFault):
    """The service may not write where it must."""

    code = "not-permitted"
    advice = "Give the account that runs fairtake the right to write in its folders."


class EncoderMissing(SurroundingsFault):
    """The MP3 encoder is missing or does not run."""

    code = "encoder-missing"
    advice = "Reinstall the package imageio-ffmpeg, which brings the encoder."


class ClusterGone(SurroundingsFault):
    """The Dask scheduler cannot be reached, or has no workers."""

    code = "cluster-gone"
    advice = "Start the scheduler and its workers. The takes are safe and will be tried again."


class AlreadyServed(SurroundingsFault):
    """Another fairtake already serves this ROOT."""

    code = "already-served"
    advice = "Let that one work, or end it first."


# --- the settings' fault ---------------------------------------------------------------------


class SettingsFault(FairtakeError):
    """The settings cannot be used as they are."""

    code = "settings"


class SettingsInvalid(SettingsFault):
    """The settings file has problems."""

    code = "settings-invalid"
    advice = "Mend the lines named and start again; `fairtake check ROOT` lists all problems."


class StateTaken(SettingsFault):
    """The state folder is that of another ROOT."""

    code = "state-taken"
    advice = (
        "Give each ROOT a state folder of its own: change `state` in one of the two fairtake.toml."
    )


class ProfileInvalid(SettingsFault):
    """The profile has problems."""

    code = "profile-invalid"
    advice = "Mend the lines named; `fairtake check ROOT` lists all problems."


class ProfileUnknown(SettingsFault):
    """There is no profile of that name."""

    code = "profile-unknown"
    advice = "Use one of the names listed, or add a file to profiles/."


class TitleInvalid(SettingsFault):
    """The title.toml that came with the take has problems."""

    code = "title-invalid"
    advice = "Mend the lines named, then put the take back with `fairtake requeue`."


class CuesInvalid(SettingsFault):
    """The cues.toml of the mix has problems."""

    code = "cues-invalid"
    advice = "Mend the lines named in cues.toml, then requeue the folder or run the command again."


class NoVoice(SettingsFault):
    """None of the files sounds like speech, so no cues can be drafted."""

    code = "no-voice"
    advice = "Write a cues.toml yourself, and name the voice in it."


class ReceiptInvalid(SettingsFault):
    """The page cannot be made from this receipt."""

    code = "receipt-invalid"
    advice = (
        "Name the receipt of a finished take, and with --original the recording it was made from."
    )


class NotARoot(SettingsFault):
    """This folder is not a ROOT of fairtake."""

    code = "not-a-root"
    advice = "Make one with `fairtake init ROOT`."


class ClusterUnusable(SettingsFault):
    """Takes cannot be handed to a cluster as it was asked for."""

    code = "cluster-unusable"
    advice = "Install fairtake[cluster], and give the scheduler's address as HOST:PORT."


def all_errors(root: type[FairtakeError] = FairtakeError) -> list[type[FairtakeError]]:
    """Every error class below *root*, in the order they are written here."""
    found: list[type[FairtakeError]] = []
    for child in root.__subclasses__():
        found += [child, *all_errors(child)]
    return found
