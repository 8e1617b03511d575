"""fairtake finishes spoken-word takes: dropped raw, found mastered, with a receipt that proves it.

receipt = fairtake.master("take.wav", out="finished", profile="audiobook")
receipt = fairtake.mix("opening.mix", out="finished", profile="podcast")
figures = fairtake.measure("finished/take.mp3")
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from fairtake.api import master, measure, mix

__all__ = ["master", "measure", "mix"]


def __getattr__(name: str) -> Any:
    """Load the API when it is used: a command that needs no sound should not pay for it."""
    if name in __all__:
        from fairtake import api

        # Loading the API loads the module `master` too, which then stands under that name here.
        globals().update({word: getattr(api, word) for word in __all__})
        return globals()[name]
    raise AttributeError(f"module 'fairtake' has no attribute '{name}'")
