"""A real service and mixes: folders dropped into the inbox become finished files, each as one take."""

from __future__ import annotations

import os
import shutil
import time
from pathlib import Path

import pytest

from fairtake.files.hashing import take_hash
from fairtake.folders import Root, claim, requeue
from fairtake.serving.job import work
from fairtake.serving.scan import DEEPEST_IN_MIX
from fairtake.serving.status import status
from mixing.folders import RATE, VOICE, make_mix
from roots import Served, new_root, reason_of, receipt_of, spoken, until
from signals import noise, tone

pytestmark = pytest.mark.skipif(os.name != "posix", reason="services are ended by POSIX signals")

CUES = (
    "stems = true\n"
    + VOICE
    + '[[bed]]\nfile = "sea.wav"\nlater_s = -1\nloop = true\nuntil = "end"\n'
)


def mix_at(root: Root, name: str, cues: str = CUES) -> Path:
    """A mix in the inbox that is not complete: its bed comes later."""
    folder = make_mix(root.inbox / name, cues)
    spoken(folder / "voice.wav")
    return folder


def with_bed(folder: Path) -> str:
    """The bed, as a careful program brings it; the whole mix's hash."""
    make_mix(folder.parent.parent / "aside", "", sea=tone(3.0, -12.0, 500.0, RATE))
    shutil.move(folder.parent.parent / "aside" / "sea.wav", folder / "sea.wav")
    shutil.rmtree(folder.parent.parent / "aside")
    return take_hash(folder)


@pytest.fixture(scope="module")
def served(tmp_path_factory: pytest.TempPathFactory) -> tuple[Root, dict[str, str], list[str]]:
    """A service that saw three mixes; the hash of each that was whole, and what status said."""
    root = new_root(tmp_path_factory.mktemp("mixes") / "root", incomplete_grace_s=4)
    hashes, said = {}, []
    with Served(root):
        folder = mix_at(root, "Tide/open.mix")
        mix_at(root, "lost.mix")
        bad = mix_at(root, "bad.mix", VOICE + '[[bed]]\nfile = "voice.wav"\nvolume = 3\n')
        (bad / "notes.txt").write_text("ask about the sea")

        def waits() -> bool:
            said[:] = [w["for"] for w in status(root)["waiting"] if w["take"] == "Tide/open.mix"]
            return any("sea.wav" in why for why in said)

        until(waits)
        hashes["open"] = with_bed(folder)
        until(lambda: receipt_of(root, "Tide/open") and reason_of(root, "lost.mix"))
        until(lambda: reason_of(root, "bad.mix"))
        make_mix(root.inbox / "Tide/open.mix", CUES)  # the same name once more, another bed
        spoken(root.inbox / "Tide/open.mix/voice.wav")
        make_mix(root.path / "aside", "", sea=noise(3.0, -20.0, rate=RATE))
        shutil.move(root.path / "aside/sea.wav", root.inbox / "Tide/open.mix/sea.wav")
        until(lambda: receipt_of(root, "Tide/open~2"))
        until(lambda: (root.outbox / "Tide/open~2.html").exists())
    return root, hashes, said


def test_a_mix_is_finished_as_one_take(served):
    """WAV, MP3, stems, receipt and page stand in the outbox, the folder whole in originals."""
    root, hashes, _ = served
    receipt = receipt_of(root, "Tide/open")
    assert receipt is not None and receipt.mix is not None
    assert all(check.ok for check in receipt.checks)
    assert receipt.take.sha256 == hashes["open"] == take_hash(root.originals / "Tide/open.mix")
    for suffix, output in receipt.files.items():
        assert output.file == f"open{suffix}"
        assert take_hash(root.outbox / "Tide" / output.file) == output.sha256
    assert not (root.inbox / "Tide/open.mix").exists()


def test_what_a_mix_waits_for_is_said(served):
    """While a named file is missing, status names it."""
    _, _, said = served
    assert any("missing: 'sea.wav'" in why for why in said)


def test_an_incomplete_mix_is_quarantined_whole(served):
    """After its grace, with the reason, and every file still in it; requeued, it is a mix again."""
    root, _, _ = served
    reason = reason_of(root, "lost.mix")
    assert reason is not None and reason.code == "mix-incomplete"
    assert "'sea.wav'" in reason.message and reason.take.container == "mix"
    held = sorted(p.name for p in (root.quarantine / "lost.mix").iterdir())
    assert held == ["cues.toml", "voice.wav"]
    assert requeue(root, "lost.mix") == "lost.mix"
    assert (root.inbox / "lost.mix/voice.wav").is_file()
    assert not (root.quarantine / "lost.mix").exists()


def test_bad_cues_are_quarantined_with_the_line_to_mend(served):
    """As any settings that come with a take; files that nobody names stay with it."""
    root, _, _ = served
    reason = reason_of(root, "bad.mix")
    assert reason is not None and reason.code == "cues-invalid"
    assert "line 5" in reason.message and "volume" in reason.message
    assert (root.quarantine / "bad.mix/notes.txt").is_file()


def test_another_mix_of_the_name_gets_the_next_one(served):
    """Nothing is replaced."""
    root, hashes, _ = served
    receipt = receipt_of(root, "Tide/open~2")
    assert receipt is not None and receipt.take.sha256 != hashes["open"]
    assert take_hash(root.originals / "Tide/open~2.mix") == receipt.take.sha256


def test_a_mix_that_was_finished_before_is_known(served):
    """The same files with the same settings are finished once: the second drop goes."""
    root, hashes, _ = served
    shutil.copytree(root.originals / "Tide/open.mix", root.inbox / "Tide/open.mix")
    before = sorted(p.name for p in (root.outbox / "Tide").iterdir() if p.suffix != ".html")
    with Served(root) as service:
        until(lambda: not (root.inbox / "Tide/open.mix").exists())
        until(lambda: "duplicate" in service.log.rpartition("started")[2])
    after = sorted(p.name for p in (root.outbox / "Tide").iterdir() if p.suffix != ".html")
    assert before == after and take_hash(root.originals / "Tide/open.mix") == hashes["open"]


def test_a_mix_with_folders_without_end_is_quarantined(tmp_path):
    """It is not hashed to its end, which it may not have: it goes as it is, and its reason is told."""
    root = new_root(tmp_path / "root")
    deepest = mix_at(root, "deep.mix", VOICE).joinpath(*"d" * (DEEPEST_IN_MIX + 1))
    deepest.mkdir(parents=True)
    claimed = claim(root, "deep.mix")
    assert claimed is not None
    outcome = work(root, claimed, True, lambda verb, share: None)
    assert (outcome.ending, outcome.code) == ("quarantined", "mix-too-deep")
    assert root.quarantine.joinpath("deep.mix", *"d" * (DEEPEST_IN_MIX + 1)).is_dir()


def test_a_mix_in_work_goes_back_whole_when_the_service_ends(tmp_path):
    """SIGTERM puts it back as it was."""
    root = new_root(tmp_path / "root")
    folder = mix_at(root, "open.mix", VOICE)
    whole = take_hash(folder)
    begun = time.time()
    with Served(root) as service:
        until(lambda: service.is_working(begun))
        service.process.terminate()
        service.process.wait(60)
    back = root.inbox / "open.mix"
    assert (back.is_dir() and take_hash(back) == whole) or receipt_of(root, "open") is not None
