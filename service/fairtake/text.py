"""Text of others, made fit to be shown: names may hold anything a file system lets through."""

from __future__ import annotations


def one_line(text: str) -> str:
    """*text* on one line: what does not print (line ends, escapes, marks that turn the direction
    of writing, halves of characters) comes out as its escape."""
    return "".join(
        c if c.isprintable() else c.encode("unicode_escape", "surrogatepass").decode() for c in text
    )
