"""Arabic and Hebrew on a page that is set sign by sign: letters joined, and in the order in which they are seen.

The renderer of the sheets does this by itself; pages in PDF are set from left to right, each sign as it is given.
"""

from __future__ import annotations

import unicodedata
from functools import cache

from fpdf.bidi import BidiParagraph
from fpdf.enums import TextDirection

_RIGHT_TO_LEFT = ("R", "AL", "AN")
_PRESENTATION_FORMS = ((0xFB50, 0xFDFF), (0xFE70, 0xFEFF))  # Unicode's blocks A and B


def as_seen(text: str) -> str:
    """Text in the order and the forms in which it is seen, from left to right.

    Parameters
    ----------
    text : str

    Returns
    -------
    str
        The same where nothing in it runs from right to left.

    Notes
    -----
    Order by Unicode Standard Annex 9; the forms of letters by The Unicode Standard, section 9.2, without ligatures.
    """
    if text.isascii() or not any(unicodedata.bidirectional(sign) in _RIGHT_TO_LEFT for sign in text):
        return text
    return "\n".join(_line_as_seen(line) for line in text.split("\n"))


def _line_as_seen(line: str) -> str:
    # our sentences run from left to right, also one that begins with a name that does not
    ours = any(unicodedata.bidirectional(sign) == "L" for sign in line)
    paragraph = BidiParagraph(_joined(line), TextDirection.LTR if ours else None)
    return str(paragraph.get_reordered_string())


def _joined(text: str) -> str:
    """Each Arabic letter in the form that its neighbours give it."""
    letters = [at for at, sign in enumerate(text) if unicodedata.category(sign) != "Mn"]
    said = list(text)
    for place, at in enumerate(letters):
        forms = _forms().get(text[at], {})
        before = text[letters[place - 1]] if place else ""
        after = text[letters[place + 1]] if place + 1 < len(letters) else ""
        from_before = "<final>" in forms and "<initial>" in _forms().get(before, {})
        to_after = "<initial>" in forms and "<final>" in _forms().get(after, {})
        form = {
            (True, True): "<medial>",
            (True, False): "<final>",
            (False, True): "<initial>",
            (False, False): "<isolated>",
        }[from_before, to_after]
        said[at] = forms.get(form, text[at])
    return "".join(said)


@cache
def _forms() -> dict[str, dict[str, str]]:
    """Forms of each letter, by the tags of their Unicode decompositions."""
    forms: dict[str, dict[str, str]] = {}
    for first, last in _PRESENTATION_FORMS:
        for code in range(first, last + 1):
            tag, _, letters = unicodedata.decomposition(chr(code)).partition(" ")
            if tag in ("<isolated>", "<final>", "<initial>", "<medial>") and " " not in letters:
                forms.setdefault(chr(int(letters, 16)), {})[tag] = chr(code)
    return forms
