"""A take's own page: what came in, what was done, what went out, and both to listen to."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Any

from fairtake.pages import link, page, shown
from fairtake.pages.drawing import WIDTH, Frame, ticks_s, working_spans
from fairtake.pages.words import FIGURES, STAGES, figure, found, place_in_take, said
from fairtake.receipt import Receipt, VoiceFacts, why_short
from fairtake.sketch import Outline, Sketch
from fairtake.units import clock

LEVEL_HEIGHT, LOUDNESS_HEIGHT, GAIN_HEIGHT, LANE_HEIGHT = 900, 1600, 440, 100
LOUDNESS_LOW = -60.0
#: Less than this is no work that anybody would want to see marked.
MARKED_DB, MARKED_LIMIT_DB = -1.0, -0.5
#: A fade goes down to nothing; a gain curve is drawn no deeper than this, nor shallower.
DEEPEST_DB, SHALLOWEST_DB = -24.0, 3.0


#: Where something was done to a take, and to a mix.
LANES = (
    "Cut off", "Pauses lowered", "Breaths lowered", "Clicks repaired", "Clipping rebuilt",
    "Peaks limited",
)  # fmt: skip
#: What the sounds that trim cuts are called, and what a place was spared by.
SOUNDS = {"breath": "a breath", "noise": "a noise", "unsure": "a sound that may have been a word"}
SPARED = {"pauses": "pauses and breaths", "peaks": "loud sound"}
#: So many places are told one by one.
MOST_LISTED = 12
MIX_LANES = ("Bed ducked", "Peaks limited")
LAYERS = {"voice": "Voice", "bed": "Bed", "spot": "Single sounds"}


@dataclass(frozen=True)
class Links:
    """Where a page's neighbours lie, relative to it; None where one is not known."""

    wav: str
    mp3: str
    receipt: str
    original: str | None = None
    title: str | None = None


@dataclass(frozen=True)
class Chart:
    """One picture. *paths* are classes and paths, *scale* the words beside it from top to bottom;
    *says* stands for it where it cannot be seen."""

    name: str
    says: str
    height: int
    paths: list[tuple[str, str]]
    scale: list[str] = field(default_factory=list)
    kind: str = "curve"


def sheet_page(receipt: Receipt, sketch: Sketch | None, links: Links) -> str:
    """The page of a finished take; without its pictures where there is no *sketch*."""
    take, wav = receipt.take, receipt.outputs.wav
    axis = _axis(sketch) if sketch else (0.0, wav.duration_s)
    return page(
        "sheet.html",
        "sheet.js",
        width=WIDTH,
        name=shown(take.name),
        folder=shown(take.title),
        verdict=verdict(receipt),
        ok=all(check.ok for check in receipt.checks),
        length=clock(wav.duration_s),
        profile=shown(receipt.profile.name),
        before_after=_before_after(receipt),
        has_target=_target_lufs(receipt) is not None,
        charts=charts(receipt, sketch, *axis) if sketch else [],
        has_before=sketch is not None and sketch.before is not None,
        ticks=[(round(100 * _share(t, *axis)), place_in_take(t)) for t in ticks_s(*axis)],
        axis=axis,
        begins_s=sketch.after.start_s if sketch else 0.0,
        take_s=take.duration_s or 0.0,
        finished_s=wav.duration_s,
        before_lufs=receipt.before.loudness_lufs,
        after_lufs=receipt.after.wav.loudness_lufs,
        checks=[
            {"name": c.check, "file": c.file.upper(), "limit": c.limit.replace("-", "\u2212"),
             "value": found(c.value), "ok": c.ok}
            for c in receipt.checks
        ],
        figures=_figures(receipt),
        stages=[
            {"name": note.stage, "about": STAGES.get(note.stage, ""),
             "did": [shown(said(key, value)) for key, value in note.did.items()]}
            for note in receipt.stages
        ],
        advice=[shown(sentence) for sentence in receipt.advice],
        speech=receipt.speech,
        cut=_cut_sounds(receipt),
        spared=[
            {"at": clock(place.from_s), "by": SPARED[place.by]} for place in receipt.speech.spared
        ][:MOST_LISTED],
        made_by=", ".join(f"{name} {version}" for name, version in receipt.made_by.items()),
        links={name: link(to) if to else "" for name, to in vars(links).items()},
        original_plays=bool(links.original) and receipt.mix is None,
        mix=_mixed(receipt),
    )  # fmt: skip


def _cut_sounds(receipt: Receipt) -> list[dict[str, Any]]:
    """What was cut before the first word and behind the last, with its place in the take."""
    trim = next((note.did for note in receipt.stages if note.stage == "trim"), {})
    found = [
        {"name": SOUNDS.get(cut["sound"], "a sound"), "at_s": cut["from_s"], "at": clock(cut["from_s"])}
        for cut in trim.get("sounds_cut", [])
    ]  # fmt: skip
    if trim.get("false_start_cut"):
        begin_s = trim["false_start_s"][0]
        found.append({"name": "a false start", "at_s": begin_s, "at": clock(begin_s)})
    return found


def _mixed(receipt: Receipt) -> dict[str, Any] | None:
    """What a mix was made of, in words; None for a take."""
    mix = receipt.mix
    if mix is None:
        return None
    voices = [
        {"file": shown(voice.file), "kind": "voice", "begins": clock(voice.begins_s),
         "ends": clock(voice.begins_s + voice.duration_s), "level": "–", "ducked": "–",
         "did": _measured(voice)}
        for voice in mix.voices
    ]  # fmt: skip
    cues = [
        {"file": shown(cue.file), "kind": "bed" if cue.kind == "bed" else "single sound",
         "begins": clock(cue.begins_s), "ends": clock(cue.ends_s),
         "level": figure(cue.level, cue.unit), "did": "in a loop" if cue.loop else "",
         "ducked": f"{figure(cue.duck_db, 'dB')} for {clock(cue.ducked_s)}" if cue.duck_db else "–"}
        for cue in mix.cues
    ]  # fmt: skip
    over = mix.voice_over_bed_lu
    return {
        "rows": voices + cues,
        "over": "" if over is None else (
            f"While somebody speaks, the voice stands {figure(over, 'LU')} over the bed, "
            f"and {figure(mix.least_voice_over_bed_lu, 'LU')} where it is nearest."
        ),
        "stems": [(kind, link(output.file)) for kind, output in mix.stems.items()],
    }  # fmt: skip


def _measured(voice: VoiceFacts) -> str:
    before, after = (figure(found.loudness_lufs, "LUFS") for found in (voice.before, voice.after))
    return f"{before} as recorded, {after} after the chain"


def verdict(receipt: Receipt) -> str:
    """The one sentence about a take."""
    missed = [f"{c.check} of the {c.file.upper()}" for c in receipt.checks if not c.ok]
    if not missed:
        return f"Ready. All {len(receipt.checks)} checks hold."
    if why := why_short(receipt):
        return why
    return f"Look at it: {len(missed)} of {len(receipt.checks)} checks miss ({', '.join(missed)})."


def _before_after(receipt: Receipt) -> str:
    """What changed, in the figures that are asked for most."""
    by_loudness = receipt.profile.settings["normalise"]["by"] == "loudness"
    level = ("loudness_lufs", "LUFS") if by_loudness else ("rms_dbfs", "dBFS RMS")
    told = [("Level", *level), ("true peak", "true_peak_dbtp", "dBTP")]
    if receipt.mix is None:  # between the words of a mix there is no room but music
        told.insert(1, ("noise floor", "noise_floor_dbfs", "dBFS"))
    before, after = receipt.before, receipt.after.wav
    parts = [
        f"{name} {figure(getattr(after, key), unit)} (before: {figure(getattr(before, key), '')})"
        for name, key, unit in told
    ]
    return f"{', '.join(parts)}."


def charts(receipt: Receipt, sketch: Sketch, begin_s: float, end_s: float) -> list[Chart]:
    """All pictures of a take, on one time axis, from top to bottom."""
    before = sketch.before
    if sketch.layers:
        return [
            *_layers(sketch, begin_s, end_s),
            _level("The mix", "after", sketch.after, receipt.after.wav, begin_s, end_s),
            *_lanes(sketch, begin_s, end_s, MIX_LANES),
            _loudness(receipt, sketch, begin_s, end_s),
            *_gains(receipt, sketch, begin_s, end_s),
        ]
    # Without the original nobody knows where something was done: no lane may say "nowhere".
    return [
        *([_level("Before", "before", before, receipt.before, begin_s, end_s)] if before else []),
        _level("After", "after", sketch.after, receipt.after.wav, begin_s, end_s),
        *(_lanes(sketch, begin_s, end_s, LANES) if before else []),
        _loudness(receipt, sketch, begin_s, end_s),
        *_gains(receipt, sketch, begin_s, end_s),
    ]


def _layers(sketch: Sketch, begin_s: float, end_s: float) -> Iterable[Chart]:
    """What a mix is made of, each layer as loud as it lies in it."""
    for kind, outline in sketch.layers.items():
        name = LAYERS.get(kind, kind)
        loudest = max(outline.peak_dbfs, default=None)
        says = f"{name}, as it lies in the mix: its peaks reach {figure(loudest, 'dBFS')}."
        yield _outline(name, says, "before", outline, begin_s, end_s)


def _level(
    name: str, kind: str, outline: Outline, found: Any, begin_s: float, end_s: float
) -> Chart:
    says = (
        f"{name}: speech at {figure(found.speech_level_dbfs, 'dBFS')}, room noise at "
        f"{figure(found.noise_floor_dbfs, 'dBFS')}, true peak {figure(found.true_peak_dbtp, 'dBTP')}."
    )
    return _outline(name, says, kind, outline, begin_s, end_s)


def _outline(
    name: str, says: str, kind: str, outline: Outline, begin_s: float, end_s: float
) -> Chart:
    frame = Frame(begin_s, end_s, -1.0, 1.0, LEVEL_HEIGHT)
    peak, rms = (
        [10 ** (value / 20) for value in values] for values in (outline.peak_dbfs, outline.rms_dbfs)
    )

    def mirrored(values: list[float]) -> str:
        below = [-value for value in values]
        return frame.area(values, below, outline.start_s, outline.step_s)

    paths = [(f"{kind} faint", mirrored(peak)), (kind, mirrored(rms))]
    return Chart(name, says, LEVEL_HEIGHT, paths, kind="level")


def _lanes(sketch: Sketch, begin_s: float, end_s: float, names: tuple[str, ...]) -> list[Chart]:
    """Where something was done, a lane each."""

    def worked(stage: str, under_db: float) -> list[tuple[float, float]]:
        return working_spans(sketch.gains[stage], under_db) if stage in sketch.gains else []

    found = {
        "Cut off": _cut_off(sketch),
        "Pauses lowered": worked("gate", MARKED_DB),
        "Breaths lowered": worked("breath", MARKED_DB),
        "Clicks repaired": [(t, t) for t in sketch.clicks_s],
        "Clipping rebuilt": [(t, t) for t in sketch.clipped_s],
        "Bed ducked": worked("duck", MARKED_DB),
        "Peaks limited": worked("limit", MARKED_LIMIT_DB),
    }
    frame = Frame(begin_s, end_s, 0.0, 1.0, LANE_HEIGHT)
    return [
        Chart(name, f"{name}: {_counted(spans)}.", LANE_HEIGHT, [("mark", frame.spans(spans))], kind="lane")
        for name, spans in found.items()
        if name in names
    ]  # fmt: skip


def _cut_off(sketch: Sketch) -> list[tuple[float, float]]:
    if sketch.before is None:
        return []
    take_end, begin, end = _end_s(sketch.before), sketch.after.start_s, _end_s(sketch.after)
    parts = ((0.0, max(begin, 0.0)), (min(end, take_end), take_end))
    return [(a, b) for a, b in parts if b - a > 0.01]


def _counted(spans: list[tuple[float, float]]) -> str:
    if not spans:
        return "nowhere"
    first = ", ".join(clock(a) for a, _ in spans[:3])
    return f"at {first}" if len(spans) <= 3 else f"in {len(spans)} places, first at {first}"


def _loudness(receipt: Receipt, sketch: Sketch, begin_s: float, end_s: float) -> Chart:
    frame = Frame(begin_s, end_s, LOUDNESS_LOW, 0.0, LOUDNESS_HEIGHT)
    settings = receipt.profile.settings
    before, after = sketch.before, sketch.after
    target = _target_lufs(receipt)
    paths = [
        ("after line faint", frame.line(after.momentary_lufs, after.start_s, after.step_s)),
        ("after line strong", frame.line(after.short_term_lufs, after.start_s, after.step_s)),
        ("limit line", frame.level(settings["limit"]["ceiling_dbtp"])),
    ]
    if target is not None:
        paths.append(("target line", frame.level(target)))
    if before is not None:
        line = frame.line(before.short_term_lufs, before.start_s, before.step_s)
        paths.insert(0, ("before line", line))
    figures = receipt.after.wav
    says = (
        f"Loudness over time: {figure(figures.loudness_lufs, 'LUFS')} in all, at most "
        f"{figure(figures.max_short_term_lufs, 'LUFS')} short-term and "
        f"{figure(figures.max_momentary_lufs, 'LUFS')} momentary; before "
        f"{figure(receipt.before.loudness_lufs, 'LUFS')}."
    )
    scale = ["0", "\u221220", "\u221240", "\u221260 LUFS"]
    return Chart("Loudness", says, LOUDNESS_HEIGHT, paths, scale, kind="loudness")


def _target_lufs(receipt: Receipt) -> float | None:
    """The target where it is a loudness; an RMS target is no place on this scale."""
    settings = receipt.profile.settings["normalise"]
    if settings["by"] != "loudness":
        return None
    mono = settings.get("mono_target")
    is_mono = receipt.outputs.wav.channels == 1 and mono is not None
    return float(mono if is_mono else settings["target"])


def _gains(receipt: Receipt, sketch: Sketch, begin_s: float, end_s: float) -> Iterable[Chart]:
    for note in receipt.stages:
        curve = sketch.gains.get(note.stage)
        if curve is None:
            continue
        deepest = min(max(min(curve.low), DEEPEST_DB), -SHALLOWEST_DB)
        highest = max(curve.high)
        top = highest if highest > 0.5 else 0.0
        frame = Frame(begin_s, end_s, deepest, top + 0.3, GAIN_HEIGHT)
        says = (
            f"Gain of {note.stage}: from {figure(max(min(curve.low), -99.0), 'dB')} to "
            f"{figure(highest, 'dB')}."
        )
        paths = [
            ("axis line", frame.level(0.0)),
            ("gain faint", frame.area(curve.high, curve.low, curve.start_s, curve.step_s)),
            ("gain line", frame.line(curve.mean, curve.start_s, curve.step_s)),
        ]
        scale = [figure(top, "", 0), figure(deepest, "dB", 0)]
        yield Chart(note.stage, says, GAIN_HEIGHT, paths, scale)


def _axis(sketch: Sketch) -> tuple[float, float]:
    """From where to where the pictures run, in seconds of the take."""
    outlines = [o for o in (sketch.before, sketch.after) if o is not None]
    return min(o.start_s for o in outlines), max(0.1, *(_end_s(o) for o in outlines))


def _end_s(outline: Outline) -> float:
    return outline.start_s + outline.step_s * len(outline.peak_dbfs)


def _share(at_s: float, begin_s: float, end_s: float) -> float:
    return (at_s - begin_s) / (end_s - begin_s)


def _figures(receipt: Receipt) -> list[dict[str, Any]]:
    files = (receipt.before, receipt.after.wav, receipt.after.mp3)
    return [
        {
            "name": label,
            "unit": unit,
            "values": [figure(getattr(file, key), "", 2) for file in files],
            "why": next((file.not_measurable[key] for file in files if key in file.not_measurable), ""),
        }
        for key, label, unit in FIGURES
    ]  # fmt: skip
