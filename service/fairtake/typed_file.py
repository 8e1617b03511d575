"""TOML files into typed settings, and typed settings into TOML files.

Reading reports every problem of a file at once, each with its line and, for a misspelt key, with
the key that was probably meant. Writing puts each setting's own description above it, so that a
file explains itself.
"""

from __future__ import annotations

import difflib
import functools
import reprlib
import tomllib
from pathlib import Path
from typing import Any, TypeVar, get_args

import tomli_w
from pydantic import BaseModel, ConfigDict, ValidationError

from fairtake.errors import SettingsFault

#: Of a file's problems so many are told one by one.
MOST_TOLD = 20
#: Where others write the file, its keys may not cost the reader of TOML minutes. A key costs the square of
#: its parts, and each line below a table so many times the parts of the table's name. So many steps
#: are a quarter of a second.
MOST_DOTS, MOST_STEPS, STEPS_A_LINE = 1500, 10_000_000, 16
_BRIEFLY = reprlib.Repr()
_BRIEFLY.maxstring = _BRIEFLY.maxother = 80


class Settings(BaseModel):
    """Base of every table of settings: unknown keys are errors, values do not change."""

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)


S = TypeVar("S", bound=BaseModel)


def read_settings(path: Path, model: type[S], fault: type[SettingsFault]) -> S:
    """The settings that *path* holds.

    Raises *fault* with every problem of the file. An ``OSError`` passes through: whose fault it
    is depends on whose file it is, so the caller decides.
    """
    return parse_settings(path.read_bytes(), model, fault, path.name)


def parse_settings(data: bytes, model: type[S], fault: type[SettingsFault], name: str) -> S:
    """As `read_settings`, from the bytes of a file called *name*."""
    parsed: S = _parsed(data, model, fault, name)  # type: ignore[arg-type]  # a class has a hash
    return parsed


@functools.lru_cache(maxsize=16)  # the same few files are asked for take after take
def _parsed(data: bytes, model: Any, fault: Any, name: str) -> Any:
    if why := _costs_too_much(data):
        raise fault(f"{name}{why}")
    try:
        text = data.decode("utf-8-sig")
        raw = tomllib.loads(text)
    except UnicodeDecodeError as e:
        raise fault(f"{name}: not UTF-8 text (byte {e.start}).") from None
    except tomllib.TOMLDecodeError as e:
        raise fault(f"{name}: not valid TOML: {e}.") from None
    except ValueError:
        raise fault(f"{name}: a number in it has too many digits.") from None
    except RecursionError:
        raise fault(f"{name}: it is nested too deeply.") from None
    return typed(raw, model, fault, name, text)


def _costs_too_much(data: bytes) -> str:
    """What about a TOML file would take too long to read, behind its name; '' for nothing."""
    dots = [0 if line.lstrip().startswith(b"#") else line.count(b".") for line in data.splitlines()]
    most = max(dots, default=0)
    if most > MOST_DOTS:
        return f", line {dots.index(most) + 1}: more than {MOST_DOTS} dots on one line."
    steps = sum(n * n for n in dots) + STEPS_A_LINE * most * len(dots)
    return ": its keys have too many parts for so many lines." if steps > MOST_STEPS else ""


def typed(raw: dict[str, Any], model: type[S], fault: type[SettingsFault], name: str,
          text: str = "", under: tuple[str, ...] = ()) -> S:  # fmt: skip
    """*raw* as a *model*; every problem at once in a *fault* that names lines of *text*.

    *under* is the table of *text* in which the settings stand.
    """
    try:
        return model.model_validate(raw)
    except ValidationError as e:
        errors = e.errors(include_url=False)
        told = [_sentence(error, model, name, text, under) for error in errors[:MOST_TOLD]]
        if more := len(errors) - len(told):
            told.append(f"There are {more} more.")
        raise fault(" ".join(told)) from None


def usable_settings(data: bytes, model: type[S]) -> S:
    """What of a file with problems can be used all the same; the default for the rest.

    For looking at what depends on the settings, never for work.
    """
    if _costs_too_much(data):
        return model()
    try:
        raw = tomllib.loads(data.decode("utf-8-sig"))
    except (ValueError, RecursionError):
        return model()
    try:
        return model.model_validate(raw)
    except ValidationError as e:
        wrong = {error["loc"][0] for error in e.errors() if error["loc"]}
        return model.model_validate({k: v for k, v in raw.items() if k not in wrong})


def _sentence(
    error: Any, model: type[BaseModel], name: str, text: str, under: tuple[str, ...]
) -> str:
    where = tuple(part for part in error["loc"] if isinstance(part, str))
    place = f"{name}{_line(under + where, text)}"
    key = ".".join(under + where)
    if error["type"] == "extra_forbidden":
        known = _keys(model, where[:-1])
        guess = difflib.get_close_matches(where[-1], known, n=1)
        hint = f"did you mean '{guess[0]}'?" if guess else f"known here: {', '.join(known)}."
        return f"{place}: unknown key '{key}', {hint}"
    message = error["msg"].removeprefix("Value error, ")
    if error["type"] == "missing":
        message = "this has to be given"
    if error["type"] == "tuple_type":
        tables = bool(_keys(model, where))
        message = f"write it in double brackets, [[{key}]]" if tables else "this has to be a list"
    said = f"{message[:1].lower()}{message[1:].rstrip('.')}{_shown(error['input'])}."
    return f"{place}: {key}: {said}" if key else f"{place}: {said}"


def _shown(value: Any) -> str:
    """A wrong value as it is told: never long, however long or deep it is."""
    if isinstance(value, dict):
        return ""
    try:
        return f" (it is {_BRIEFLY.repr(value)})"
    except ValueError:  # an integer of thousands of digits
        return ""


def _keys(model: type[BaseModel], where: tuple[str, ...]) -> list[str]:
    """The keys a table of *model* may hold."""
    for part in where:
        field = model.model_fields.get(part)
        inner = field.annotation if field else None
        inner = next(iter(get_args(inner)), inner)  # of a list of tables, one table
        if not (isinstance(inner, type) and issubclass(inner, BaseModel)):
            return []
        model = inner
    return list(model.model_fields)


def _line(where: tuple[str, ...], text: str) -> str:
    """', line N' of the key at *where*, or '' when it cannot be told."""
    table: tuple[str, ...] = ()
    for number, line in enumerate(text.splitlines(), 1):
        line = line.strip()
        if line.startswith("["):
            heading = line.split("]")[0].strip("[ ")
            table = tuple(part.strip().strip("\"'") for part in heading.split("."))
            if where and table == where:
                return f", line {number}"
        elif "=" in line and not line.startswith("#"):
            key = tuple(part.strip().strip("\"'") for part in line.split("=")[0].split("."))
            # A shorter key that fits is that of an inline table.
            if where and all(a == b for a, b in zip(table + key, where, strict=False)):
                return f", line {number}"
    return ""


def settings_text(settings: BaseModel, heading: str = "") -> str:
    """*settings* as a TOML file in which each setting is explained by its own description."""
    lines = [f"# {line}".rstrip() for line in heading.strip().splitlines()]
    return "\n".join([*lines, *_table_lines(settings, ())]).strip() + "\n"


def _table_lines(settings: BaseModel, where: tuple[str, ...]) -> list[str]:
    fields = type(settings).model_fields
    plain = [k for k in fields if not isinstance(getattr(settings, k), BaseModel)]
    tables = {k: v for k in fields if isinstance(v := getattr(settings, k), BaseModel)}
    lines: list[str] = []
    if where:
        lines += ["", f"[{'.'.join(where)}]"]
    for key in plain:
        lines += [f"# {fields[key].description}"] if fields[key].description else []
        dumped = settings.model_dump(mode="json", include={key}, exclude_none=True)
        lines.append(tomli_w.dumps(dumped).strip() if dumped else f"# {key} =")
    for key, table in tables.items():
        lines += _table_lines(table, (*where, key))
    return lines
