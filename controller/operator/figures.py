"""Large figures made of plain characters, legible at arm's length."""

from __future__ import annotations

HEIGHT = 5
"""Rows of a figure at scale 1."""

_SHAPES: dict[str, str] = {
    "0": "### #.# #.# #.# ###",
    "1": ".#. ##. .#. .#. ###",
    "2": "### ..# ### #.. ###",
    "3": "### ..# .## ..# ###",
    "4": "#.# #.# ### ..# ..#",
    "5": "### #.. ### ..# ###",
    "6": "### #.. ### #.# ###",
    "7": "### ..# ..# ..# ..#",
    "8": "### #.# ### #.# ###",
    "9": "### #.# ### ..# ###",
    "A": "### #.# ### #.# #.#",
    "C": "### #.. #.. #.. ###",
    "D": "##. #.# #.# #.# ##.",
    "E": "### #.. ##. #.. ###",
    "F": "### #.. ##. #.. #..",
    "I": "# # # # #",
    "L": "#.. #.. #.. #.. ###",
    "M": "#...# ##.## #.#.# #...# #...#",
    "N": "#..# ##.# #.## #..# #..#",
    "O": "### #.# #.# #.# ###",
    "P": "### #.# ### #.. #..",
    "R": "##. #.# ##. #.# #.#",
    "S": "### #.. ### ..# ###",
    "T": "### .#. .#. .#. .#.",
    "U": "#.# #.# #.# #.# ###",
    "Y": "#.# #.# .#. .#. .#.",
    ":": ". # . # .",
    "!": "# # # . #",
    "?": "### ..# .## ... .#.",
    " ": ".. .. .. .. ..",
}


def large(text: str, columns: int, *, tall: int, ink: str) -> list[str]:
    """Return `text` in large figures, `HEIGHT` times `tall` rows, as wide as fits in `columns`.

    Returns an empty list when it does not fit at any width.

    Raises:
        KeyError: if a character has no figure.
    """
    shapes = [_SHAPES[character].split() for character in text]
    bitmap = [".".join(shape[row] for shape in shapes) for row in range(HEIGHT)]
    # A character cell is about twice as high as wide: twice as many columns as rows make square dots.
    wide = min(2 * tall, columns // max(1, len(bitmap[0])))
    if wide < 1:
        return []
    lines = []
    for row in bitmap:
        line = "".join((ink if dot == "#" else " ") * wide for dot in row).rstrip()
        lines += [line] * tall
    return lines
