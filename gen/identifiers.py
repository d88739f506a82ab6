"""C identifiers, strings and comments from any Unicode text, so that no name can break the C it lands in."""

from __future__ import annotations

import re
import unicodedata


def identifier(text: str) -> str:
    """A name as upper-case C identifier: accents dropped, other scripts as code points, the rest ``_``."""
    out: list[str] = []
    for char in unicodedata.normalize("NFKD", text):
        if char.isascii() and char.isalnum():
            out.append(char.upper())
        elif unicodedata.combining(char):
            continue
        elif char.isalnum():
            out.append(f"U{ord(char):04X}")
        elif out and out[-1] != "_":
            out.append("_")
    return "".join(out).strip("_") or "UNNAMED"


def c_string(text: str) -> str:
    """A C string literal of the UTF-8 bytes; octal escapes end after three digits, whatever comes next."""
    plain = {*range(0x20, 0x7F)} - {0x22, 0x3F, 0x5C}  # not quote, question mark (trigraphs), backslash
    return '"' + "".join(chr(b) if b in plain else f"\\{b:03o}" for b in text.encode()) + '"'


def c_comment(text: str) -> str:
    """The text for a C comment: one line, and nothing that ends or opens a comment or splices lines."""
    safe = "".join(c if c.isprintable() else "?" for c in text).replace("\\", "/")
    return re.sub(r"\*(?=/)|/(?=\*)|\?(?=\?)", lambda m: m[0] + " ", safe)
