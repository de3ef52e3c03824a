"""The verdict of the unit in letters that are read from across the room. Plain ASCII, 5 rows."""

from __future__ import annotations

_LETTERS = {
    "A": (" ### ", "#   #", "#####", "#   #", "#   #"),
    "C": (" ####", "#    ", "#    ", "#    ", " ####"),
    "D": ("#### ", "#   #", "#   #", "#   #", "#### "),
    "E": ("#####", "#    ", "###  ", "#    ", "#####"),
    "H": ("#   #", "#   #", "#####", "#   #", "#   #"),
    "I": ("###", " # ", " # ", " # ", "###"),
    "L": ("#    ", "#    ", "#    ", "#    ", "#####"),
    "M": ("#   #", "## ##", "# # #", "#   #", "#   #"),
    "N": ("#   #", "##  #", "# # #", "#  ##", "#   #"),
    "O": (" ### ", "#   #", "#   #", "#   #", " ### "),
    "P": ("#### ", "#   #", "#### ", "#    ", "#    "),
    "R": ("#### ", "#   #", "#### ", "#  # ", "#   #"),
    "T": ("#####", "  #  ", "  #  ", "  #  ", "  #  "),
    "Y": ("#   #", " # # ", "  #  ", "  #  ", "  #  "),
}


def banner(word: str) -> tuple[str, ...]:
    """Five rows that spell `word`; KeyError for a letter that no verdict uses."""
    letters = [_LETTERS[letter] for letter in word.upper()]
    return tuple("  ".join(letter[row] for letter in letters).rstrip() for row in range(5))
