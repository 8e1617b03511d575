"""What the bench promises about its voices and breaths. Needs no network and no package.

The facts are asked of a process of its own: bench and training have files of the same names.
"""

from __future__ import annotations

import functools
import json
import subprocess
import sys
from collections import defaultdict
from pathlib import Path
from typing import Any

HERE = Path(__file__).parent
FACTS = """
import json
import sources  # knows where the other folders are
from breathing import BREATHS, LENGTHS_S
from heard import UNFIT, recipes_of
from voices import VOICES
voices = [[v.name, v.package, v.pattern, v.language[:2], v.role] for v in VOICES]
takes = {which: [r.voice for r in recipes_of(which)] for which in ("open", "kept")}
lenders = {which: [r.lender for r in recipes_of(which)] for which in ("open", "kept")}
print(json.dumps([voices, takes, lenders, list(BREATHS), list(LENGTHS_S), sorted(UNFIT)]))
"""
#: Packages for children that were spoken by volunteers, some of whom may be in all three.
CHILDRENS = ("klettres-data", "ktuberling-data", "tuxpaint-stamps-default")
ROLE_OF = {"open": "test", "kept": "kept"}


@functools.cache
def facts() -> list[Any]:
    said = subprocess.run(
        [sys.executable, "-c", FACTS], cwd=HERE, check=True, capture_output=True, text=True
    )
    return json.loads(said.stdout)


def voices_in(*roles: str) -> list[list[str]]:
    unfit = facts()[5]
    return [v for v in facts()[0] if v[4] in roles and v[0] not in unfit]


def test_nobody_has_two_roles() -> None:
    """A person whom an ear learnt from never judges it, nor is a volunteer both test and kept.

    Stricter than need be: one language of one package counts as one person.
    """
    roles = defaultdict(set)
    for _, package, _, language, role in facts()[0]:
        volunteers = package in CHILDRENS
        side = role if volunteers and not role.startswith("train") else role.startswith("train")
        roles["volunteers" if volunteers else package, language].add(side)
    assert {who: r for who, r in roles.items() if len(r) > 1} == {}


def test_a_file_belongs_to_one_voice() -> None:
    """No two voices share their files, as far as names and patterns can tell."""
    voices = facts()[0]
    assert len({v[0] for v in voices}) == len(voices)
    assert len({(v[1], v[2]) for v in voices}) == len(voices)


def test_there_are_voices_enough() -> None:
    """Twenty voices at least, of eight languages, and a third of them kept apart."""
    judging, kept = voices_in("test", "kept"), voices_in("kept")
    assert len(judging) >= 20
    assert len({v[3] for v in judging}) >= 8
    assert len(kept) * 3 >= len(judging)


def test_every_voice_speaks_and_no_other() -> None:
    """Each voice of a set has a take; takes and breaths are made of that set's voices alone."""
    _, takes, lenders, *_ = facts()
    for which, role in ROLE_OF.items():
        mine = {v[0] for v in voices_in(role)}
        assert set(takes[which]) == mine
        assert set(lenders[which]) <= mine
        both = zip(takes[which], lenders[which], strict=True)
        assert all(voice != lender for voice, lender in both)


def test_breaths_are_of_many_kinds() -> None:
    """At least four kinds with nothing in common, and each of them has a length."""
    breaths, lengths = facts()[3:5]
    assert len(breaths) >= 4
    assert set(breaths) == set(lengths)
