"""From bytes to a TOML document, with a guard before the parser.

Rules: nothing is parsed that is too large, no UTF-8, nested absurdly or full beyond measure; the guard is one walk
that knows only strings and comments; whatever the parser raises becomes an InputError that names
line and column. The codes of the problems are those of `model.lint.common.codes`.
Grammar: TOML 1.0.0; parser: tomllib.
"""

from __future__ import annotations

import re
import tomllib
from typing import Any

from bundlekeeper.errors import InputError
from bundlekeeper.findings import Finding, Level
from bundlekeeper.formats.caret import excerpt
from bundlekeeper.formats.text_file import SourceText

MAX_DEPTH = 32  # arrays and inline tables inside each other; parts of a dotted key
MAX_VALUES = 300_000  # opening brackets, equal signs and commas; 5,000 images have about 100,000
MAX_WORD = 400  # characters of a bare key or a number; int() alone would take 4,300 digits and more in hexadecimal

# Strings and comments are walked over whole. A string that never ends reaches to the end of its line or of the text:
# the parser will refuse it at just that place.
_TOKEN = re.compile(
    r"""
      \"\"\"(?:[^"\\]++|\\.|"(?!""))*+(?:"{3,5})?
    | '''(?:[^']++|'(?!''))*+(?:'{3,5})?
    | "(?:[^"\\\n]++|\\.)*+"?
    | '[^'\n]*+'?
    | \#[^\n]*+
    | [A-Za-z0-9_+-]{401}
    | [\[\]{}.,=]
    | \n\s*+
    """,
    re.VERBOSE | re.DOTALL,
)
_AT = re.compile(r" \(at (?:line ([0-9]+), column ([0-9]+)|end of document)\)$")


def load(data: bytes, *, name: str, max_bytes: int) -> tuple[SourceText, dict[str, Any]]:
    """Guard and parse `data`; return its text as a Source and the document.

    Raises InputError with one problem, its line, column and caret.
    """
    source = guard(data, name=name, max_bytes=max_bytes)
    try:
        return source, tomllib.loads(source.text)
    except tomllib.TOMLDecodeError as e:
        raise _not_toml(source, e) from e
    except RecursionError as e:  # the guard should make this impossible
        raise _refusal("too-deep", f"{name} nests too deeply", "flatten it", source, 0) from e
    except ValueError as e:  # int() beyond Python's limit of digits, which the guard should make impossible
        raise _refusal("not-toml", f"not TOML: {e}", "look for an enormous number", source, 0) from e


def guard(data: bytes, *, name: str, max_bytes: int) -> SourceText:
    """Refuse what must not reach the parser: size, encoding, byte-order mark, NUL, depth, count of values, long words.

    Raises InputError with one problem, its line, column and caret (no line for the size).
    """
    if len(data) > max_bytes:
        message = f"{len(data):_} bytes, more than {max_bytes:_}"
        raise _raise("too-large", message, "is this the right file? Split the work over several platforms", name)
    if data.startswith((b"\xef\xbb\xbf", b"\xff\xfe", b"\xfe\xff")):
        utf16 = not data.startswith(b"\xef")
        message = f"the file begins with a byte-order mark{' of UTF-16' if utf16 else ''}, which TOML does not allow"
        raise _raise("byte-order-mark", message, "save it as UTF-8 without a byte-order mark", name, f"{name}:1:1")
    try:
        text = data.decode("utf-8")
    except UnicodeDecodeError as e:
        raise _not_utf8(data, e, name) from e
    source = SourceText(name, text)
    nul = text.find("\0")
    if nul >= 0:
        raise _refusal("not-text", "there is a NUL character in the file", "is this the right file?", source, nul)
    _walk(source)
    return source


def _walk(source: SourceText) -> None:
    depth = dots = values = 0
    text = source.text
    for match in _TOKEN.finditer(text):
        at = match.start()
        char = text[at]
        if char in "[{,=":
            values += 1
            if values > MAX_VALUES:
                message = f"there are more than {MAX_VALUES:_} values before this place"
                raise _refusal("too-many", message, "is this the right file? Split the work over several", source, at)
        if char in "[{":
            depth += 1
            if depth > MAX_DEPTH:
                message = f"arrays and tables are more than {MAX_DEPTH} deep inside each other here"
                raise _refusal("too-deep", message, "flatten it; a manifest needs no more than five", source, at)
        elif char in "]}":
            depth = max(0, depth - 1)
        elif char == ".":
            dots += 1
            if dots >= MAX_DEPTH:
                message = f"a dotted key has more than {MAX_DEPTH} parts here"
                raise _refusal("too-deep", message, "flatten it; a manifest needs no more than four", source, at)
            continue
        elif char in "\"'":
            continue
        elif char not in "#\n,=":
            message = f"a key or number of more than {MAX_WORD} characters"
            raise _refusal("not-toml", message, "texts need quotes around them", source, at)
        dots = 0


def _not_utf8(data: bytes, error: UnicodeDecodeError, name: str) -> InputError:
    start = data.rfind(b"\n", 0, error.start) + 1
    end = data.find(b"\n", error.start)
    row = data[start : len(data) if end < 0 else end]
    # Kept bytes become lone surrogates (PEP 383), which the excerpt shows as \xNN.
    column = len(data[start : error.start].decode("utf-8")) + 1
    line = data.count(b"\n", 0, start) + 1
    message = f"byte {error.start} (0x{data[error.start]:02x}) is no UTF-8"
    shown = excerpt(row.decode("utf-8", "surrogateescape").removesuffix("\r"), column)
    return _raise("not-text", message, "save the file as UTF-8", name, f"{name}:{line}:{column}", shown)


_HINTS = {
    "Invalid value": "texts need quotes around them, dates are written 2026-08-14, and true and false in small letters",
    "Invalid date or datetime": "there is no such day",
    "Cannot overwrite a value": "this key is twice in its table, or uses a value as a table",
    "Duplicate inline table key": "keep one of the two",
    "Cannot declare": "this table is there twice; several of a kind are written with double brackets, [[bundle]]",
    "Unterminated string": "a quote is missing; a text of several lines needs three",
    "Illegal character": "a text on one line may have no line breaks or control characters; is its end quote missing?",
    "Expected newline or end of document": "one statement on a line; is a quote or a comma missing before this place?",
    "Expected '=' after a key": "write key = value",
    "Unclosed array": "is a comma or a closing bracket missing before this place?",
    "Unclosed inline table": "is a comma or a brace missing? An inline table { … } is on one line",
    "Invalid initial character for a key part": "keys of other characters than A-Z a-z 0-9 - _ need quotes",
    "Unescaped '\\' in a string": "double the backslash, or use single quotes",
}


def _not_toml(source: SourceText, error: tomllib.TOMLDecodeError) -> InputError:
    reason = str(error)
    place = _AT.search(reason)
    offset = len(source.text.rstrip()) if source.text.strip() else 0
    if place and place[1]:
        offset = source.offset(int(place[1]), int(place[2]))
    message = "not TOML: " + (reason[: place.start()] if place else reason)
    if place and not place[1]:
        message += " before the end of the file"
    hint = _usual_cause(source, offset) or next(
        (hint for begin, hint in _HINTS.items() if reason.startswith(begin)), "see toml.io for the format"
    )
    return _refusal("not-toml", message, hint, source, offset)


#: What is often the cause, by what the line holds outside of texts.
_USUAL_CAUSES = (
    (re.compile("[“”„«»‘’]"), "the quotes are curly, an office program's: write straight ones, \" or '"),
    (re.compile(r"=\s*[0-9]{1,2}[./][0-9]{1,2}[./][0-9]{2,4}"), "a date is written year-month-day: 2026-08-14"),
    (re.compile(r"=\s*[0-9]{1,3}(?:[,'. ][0-9]{3})+(?![0-9])"), "a number has no comma or blank in it: 1_284_308_992"),
    (re.compile(r"=\s*[0-9]+,[0-9]"), "a number has no comma in it"),
)  # fmt: skip
_STRAIGHT_TEXT = re.compile(r"""\"(?:[^"\\]|\\.)*\"|'[^']*'|\#.*""")


def _usual_cause(source: SourceText, offset: int) -> str:
    """The usual cause of a fault in this line, as a hint; empty for none that is known."""
    begin = source.text.rfind("\n", 0, offset) + 1
    end = source.text.find("\n", offset)
    line = _STRAIGHT_TEXT.sub('""', source.text[begin : len(source.text) if end < 0 else end])
    return next((cause for shape, cause in _USUAL_CAUSES if shape.search(line)), "")


def _refusal(code: str, message: str, hint: str, source: SourceText, offset: int) -> InputError:
    line, column = source.position(offset)
    return _raise(code, message, hint, source.name, source.where(line, column), source.excerpt(column, offset))


def _raise(code: str, message: str, hint: str, name: str, where: str = "", shown: str = "") -> InputError:
    problem = Finding(code, Level.ERROR, name, message, hint, where or name, shown)
    return InputError(message, hint=hint, where=where or name, problems=[problem])
