"""What the rules call each line: classes, counts, dates and the validation sample."""

from linemap.inventory.classes import LineClass, classify_line, classify_lines

__all__ = ["LineClass", "classify_line", "classify_lines"]
