"""What stands on a PDF, as poppler finds it."""

from __future__ import annotations

import itertools
import re
import subprocess

_WORD = re.compile(r'<word xMin="([\d.]+)" yMin="([\d.]+)" xMax="([\d.]+)" yMax="([\d.]+)">(.*?)</word>')


def overlapping(pdf: bytes) -> list[tuple[str, str]]:
    """Words that stand upon one another, page by page; a line of text may reach into the next by a fifth."""
    done = subprocess.run(["pdftotext", "-bbox", "-", "-"], input=pdf, capture_output=True, check=True)
    found = []
    for page in done.stdout.decode().split("<page ")[1:]:
        words = [(*map(float, numbers), text) for *numbers, text in _WORD.findall(page)]
        for first, second in itertools.combinations(words, 2):
            wide = min(first[2], second[2]) - max(first[0], second[0])
            high = min(first[3], second[3]) - max(first[1], second[1])
            if wide > 1 and high > 0.2 * (first[3] - first[1]):
                found.append((first[4], second[4]))
    return found
