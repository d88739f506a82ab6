"""Names from outside become C: valid, distinct, and unable to break out."""

import re
import subprocess

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dosewright.gen.identifiers import c_comment, c_string, identifier
from tools import need

NASTY = [
    "*/ int x; /*",
    '"; } int x = 1; //',
    "back\\",
    "??/",
    "line\nbreak",
    "ünï",
    "中文",
    "\u202eright",
    "\0",
    "100%",
    "\\*/",
    "/*/",
]


@pytest.mark.parametrize(
    ("name", "expected"),
    [
        ("lime juice", "LIME_JUICE"),
        ("Crème brûlée", "CREME_BRULEE"),
        ("7 bells!", "7_BELLS"),
        ("汽水", "U6C7D_U6C34".replace("_", "")),
        ("--", "UNNAMED"),
        ("ﬁzz", "FIZZ"),
    ],
)
def test_identifier(name: str, expected: str) -> None:
    assert identifier(name) == expected


@given(st.text())
def test_any_text_is_part_of_a_valid_identifier(text: str) -> None:
    assert re.fullmatch(r"[A-Z0-9_]+", identifier(text))


@given(st.text())
def test_a_comment_stays_one_comment(text: str) -> None:
    safe = c_comment(text)
    assert "*/" not in safe and "/*" not in safe and "\\" not in safe and "??" not in safe
    assert len(safe.splitlines()) <= 1


@given(st.text(max_size=40))
def test_a_string_literal_decodes_to_the_same_bytes(text: str) -> None:
    """Read back with Python's own reader of C-like octal escapes."""
    literal = c_string(text)
    assert literal.isascii() and "\n" not in literal and "??" not in literal
    back = re.sub(rb"\\([0-7]{3})", lambda m: bytes([int(m[1], 8)]), literal[1:-1].encode())
    assert back == text.encode()


# RFC 3629, section 7 (from memory; recomputed with CPython's codec): A<NOT IDENTICAL TO><ALPHA>., "hangugeo",
# "nihongo".
UTF8 = [
    ("A\u2262\u0391.", "41 e2 89 a2 ce 91 2e"),
    ("\ud55c\uad6d\uc5b4", "ed 95 9c ea b5 ad ec 96 b4"),
    ("\u65e5\u672c\u8a9e", "e6 97 a5 e6 9c ac e8 aa 9e"),
]


@pytest.mark.parametrize(("text", "octets"), UTF8)
def test_the_bytes_of_a_name_are_utf_8(text: str, octets: str) -> None:
    escapes = re.findall(r"\\([0-7]{3})|(.)", c_string(text)[1:-1])
    assert bytes(int(octal, 8) if octal else ord(plain) for octal, plain in escapes) == bytes.fromhex(octets)


def test_the_c_compiler_agrees(tmp_path) -> None:
    """The same nasty names through a real compiler: printed back byte for byte."""
    need("cc")
    lines = ["#include <stdio.h>", "int main(void) {"]
    for index, name in enumerate(NASTY):
        lines.append(f"    static const char s{index}[] = {c_string(name)}; /* {c_comment(name)} */")
        lines.append(f"    fwrite(s{index}, 1, sizeof s{index}, stdout);")
    lines += ["    return 0;", "}"]
    source = tmp_path / "names.c"
    source.write_text("\n".join(lines), encoding="utf-8")
    program = tmp_path / "names"
    subprocess.run(
        ["cc", "-std=c99", "-Wall", "-Wextra", "-Wpedantic", "-Werror", "-o", program, source], check=True
    )
    printed = subprocess.run([program], check=True, capture_output=True).stdout
    assert printed == b"".join(name.encode() + b"\0" for name in NASTY)
