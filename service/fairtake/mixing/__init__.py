"""Mixes: voices that are finished by themselves, with beds and single sounds under them."""

from fairtake.mixing.mix import finish_any, finish_mix

__all__ = ["finish_any", "finish_mix"]
