"""Line and column of every key and value of a TOML text.

tomllib says what a file means but not where; tree-sitter says where. Columns count characters from 1. A path
is the keys and list indices that lead to a value: ``("recipe", "Dock Sour", "stages", 0, "time")``.
"""

from __future__ import annotations

import tomllib
from bisect import bisect_left
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from tree_sitter import Node

Path = tuple[str | int, ...]
Position = tuple[int, int]


class Places:
    """Positions in one text; the text is searched when the first one is asked for."""

    def __init__(self, text: str) -> None:
        self._text = text
        self._keys: dict[Path, Position] | None = None
        self._values: dict[Path, Position] = {}

    def value(self, path: Path) -> Position:
        """Where the value stands, or else the nearest table around it; (1, 1) where there is none."""
        self._search()
        while path:
            if path in self._values:
                return self._values[path]
            path = path[:-1]
        return (1, 1)

    def key(self, path: Path) -> Position:
        """Where the key stands; otherwise like ``value``."""
        keys = self._search()
        return keys[path] if path in keys else self.value(path)

    def _search(self) -> dict[Path, Position]:
        if self._keys is None:
            import tree_sitter
            import tree_sitter_toml

            self._keys = {}
            data = self._text.encode()
            self._lines = data.split(b"\n")
            self._followers: dict[int, list[int]] = {}
            language = tree_sitter.Language(tree_sitter_toml.language())
            self._document(tree_sitter.Parser(language).parse(data).root_node)
        return self._keys

    def _document(self, root: Node) -> None:
        counts: dict[Path, int] = {}  # entries so far of each array of tables
        for node in root.named_children:
            if node.type == "pair":
                self._pair(node, ())
            elif node.type in ("table", "table_array_element"):
                head, *pairs = node.named_children
                path: Path = ()
                names = self._names(head)
                for depth, (name, position) in enumerate(names):
                    path = (*path, name)
                    last = depth == len(names) - 1
                    self._note(path, position, position if last else None)
                    if last and node.type == "table_array_element":
                        counts[path] = counts.get(path, 0) + 1
                    if path in counts:
                        path = (*path, counts[path] - 1)
                        self._values.setdefault(path, position)
                for pair in pairs:
                    if pair.type == "pair":
                        self._pair(pair, path)

    def _pair(self, node: Node, base: Path) -> None:
        left, *rest = (child for child in node.named_children if child.type != "comment")
        path = base
        for name, position in self._names(left):
            path = (*path, name)
            self._note(path, position, None)
        if rest:
            self._values[path] = self._position(rest[0])
            self._inside(rest[0], path)

    def _inside(self, node: Node, path: Path) -> None:
        children = [child for child in node.named_children if child.type != "comment"]
        if node.type == "inline_table":
            for pair in children:
                if pair.type == "pair":
                    self._pair(pair, path)
        elif node.type == "array":
            for index, child in enumerate(children):
                self._values[(*path, index)] = self._position(child)
                self._inside(child, (*path, index))

    def _note(self, path: Path, key: Position, value: Position | None) -> None:
        assert self._keys is not None
        self._keys.setdefault(path, key)
        if value is not None:
            self._values[path] = value
        else:
            self._values.setdefault(path, key)

    def _names(self, node: Node) -> list[tuple[str, Position]]:
        if node.type == "dotted_key":
            return [name for child in node.named_children for name in self._names(child)]
        text = (node.text or b"").decode(errors="replace")
        if node.type == "quoted_key":
            try:
                text = next(iter(tomllib.loads(f"{text} = 0")))
            except tomllib.TOMLDecodeError:  # a text that only one of the two parsers accepts
                text = text.strip("\"'")
        return [(text, self._position(node))]

    def _position(self, node: Node) -> Position:
        row, column = node.start_point
        if row not in self._followers:  # bytes of a line that continue a character
            self._followers[row] = [i for i, byte in enumerate(self._lines[row]) if byte & 0xC0 == 0x80]
        return row + 1, column - bisect_left(self._followers[row], column) + 1
