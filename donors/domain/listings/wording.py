"""What the words of a listing say: which kind of machine, what failed, how old.

The words are data (fixtures/reference/listing_words.json and the causes' own words); here they
are only looked for, as whole words, longest first, none inside another.
"""

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property

_BETWEEN = r"[\s,/_-]+"
TITLE_WEIGHT = 3  # words of a title say more of what is for sale than those of a text
LOOK_BACK, LOOK_AHEAD = 26, 34  # characters around a word that may deny it

# Said before a word: it is not so, or it is not about this machine's fault.
_DENIED_BEFORE = re.compile(
    r"\b(no|not|never|without|isn'?t|doesn'?t|don'?t|new|replaced|renewed|fitted|changed|"
    r"good|working|free of|fresh|recent(?:ly)?|had (?:a|the))\b(?:\s+\w+){0,2}\s*$",
    re.IGNORECASE,
)
_DENIED_BEHIND = re.compile(
    r"^[\s,]*(?:(?:is|was|has|have|are|were|been|just|still|all|also|recently|both)\s+){0,3}"
    r"(fine|ok|okay|good|new|great|perfect(?:ly)?|works|working|replaced|renewed|changed|intact|"
    r"sound|done|strong|quiet|cleaned|included)\b",
    re.IGNORECASE,
)

_NOT_SOUND = re.compile(r"\b(not|never|isn'?t|no longer|stopped)\s*(?:\w+\s+)?$", re.IGNORECASE)
_CLAUSE = re.compile(r"[.;!?\n,]|\b(?:and|but|although|though)\b", re.IGNORECASE)


@dataclass(frozen=True, slots=True)
class Said:
    """Words that say something: text[start:end]."""

    what: str
    words: str
    start: int
    end: int


@dataclass(frozen=True)
class Vocabulary:
    """Phrases by what they say. Phrases are lower case; a blank in one is any gap between words."""

    phrases: Mapping[str, str] = field(default_factory=dict)  # phrase -> what it says

    @classmethod
    def of(cls, rows: Iterable[tuple[str, Sequence[str]]]) -> "Vocabulary":
        """rows: (what, its phrases). A phrase of several things says the first."""
        found: dict[str, str] = {}
        for what, phrases in rows:
            for phrase in phrases:
                found.setdefault(" ".join(_split(phrase)), what)
        return cls(found)

    @cached_property
    def _pattern(self) -> "re.Pattern[str]":
        ordered = sorted(self.phrases, key=lambda one: (-len(one), one))
        forms = (_BETWEEN.join(map(re.escape, phrase.split())) for phrase in ordered)
        return re.compile(rf"(?<![\w-])(?:{'|'.join(forms) or '(?!)'})(?!\w)")

    def find(self, text: str) -> list[Said]:
        """Return the phrases that stand in a text, in its order."""
        lower = text.lower()
        if len(lower) != len(text):  # a letter whose small form is longer: places would shift
            lower = "".join(c.lower() if len(c.lower()) == 1 else c for c in text)
        return [
            Said(
                self.phrases[" ".join(_split(match.group()))],
                text[slice(*match.span())],
                *match.span(),
            )
            for match in self._pattern.finditer(lower)
        ]


def _split(phrase: str) -> list[str]:
    return [word for word in re.split(_BETWEEN, phrase.lower()) if word]


def appliance_said(title: str, text: str, words: Vocabulary) -> Said | None:
    """Return the kind of machine most of the words name, those of the title first.

    None when nothing names one; what "" is a machine of a kind the workshop does not know.
    """
    weights: dict[str, float] = {}
    first: dict[str, Said] = {}
    for weight, part in ((TITLE_WEIGHT, title), (1, text)):
        for place, one in enumerate(words.find(part)):
            # Of several in one place the first: "washing machine, not a dryer".
            weights[one.what] = weights.get(one.what, 0.0) + weight / (1 + place)
            first.setdefault(one.what, one)
    if not weights:
        return None
    best = max(weights, key=lambda what: weights[what])
    return first[best]


@dataclass(frozen=True, slots=True)
class CauseSaid:
    """Why a machine is given away. cause "" is unknown; words: what said so, in its order."""

    cause: str
    words: tuple[str, ...] = ()
    also: tuple[str, ...] = ()


def cause_said(text: str, words: Vocabulary, *, sound: str = "unrelated") -> CauseSaid:
    """Return the cause the words point to. A fault named goes before what says it is sound.

    words: of the causes of one kind of machine. Words that are denied ("no leaks", "new pump")
    say nothing.
    """
    told: dict[str, list[Said]] = {}
    for one in words.find(text):
        if one.what != sound and _denied(text, one):
            continue
        if one.what == sound and _not_so(text, one):
            continue
        told.setdefault(one.what, []).append(one)
    if not told:
        return CauseSaid("")
    faults = [what for what in told if what != sound]
    best = max(faults or told, key=lambda what: _strength(told[what]))
    others = tuple(what for what in told if what != best and what != sound)
    return CauseSaid(best, tuple(dict.fromkeys(one.words for one in told[best])), others)


def _strength(said: Sequence[Said]) -> tuple[int, int]:
    """Longer phrases say more than single words; what comes first breaks a tie."""
    return sum(len(_split(one.words)) for one in said), -said[0].start


def _denied(text: str, one: Said) -> bool:
    before = text[max(0, one.start - LOOK_BACK) : one.start]
    behind = text[one.end : one.end + LOOK_AHEAD]
    sentence = _CLAUSE.split(before)[-1]
    # A phrase that itself begins with a denial ("does not drain") is not denied by it.
    return bool(_DENIED_BEFORE.search(sentence) or _DENIED_BEHIND.match(behind))


def _not_so(text: str, one: Said) -> bool:
    sentence = _CLAUSE.split(text[max(0, one.start - LOOK_BACK) : one.start])[-1]
    return bool(_NOT_SOUND.search(sentence))


@dataclass(frozen=True, slots=True)
class AgeSaid:
    """The years a machine was built in, as the words say; words: which they were."""

    first_year: int
    last_year: int
    words: str


_BUILT = re.compile(
    r"\b(?:built|manufactured|made|year of (?:manufacture|build)|bj\.?|baujahr|from|year|"
    r"model year|dated|mfg|dates? from|production)\s*(?:in|:|of|about|around|approx\.?|c\.?)?\s*"
    r"((?:19[6-9]|20[0-4])\d)(?!\d)",
    re.IGNORECASE,
)
_BOUGHT = re.compile(
    r"\b(?:bought|purchased|installed|since|new in|got it)\s*(?:it|new)?\s*(?:in|back in|:)?\s*"
    r"((?:19[6-9]|20[0-4])\d)(?!\d)",
    re.IGNORECASE,
)
_OLD = re.compile(
    r"\b(\d{1,2}|one|two|three|four|five|six|seven|eight|nine|ten|twelve|fifteen)\s*(?:-|\s)?"
    r"(?:years?|yrs?|y)[\s-]*old\b",
    re.IGNORECASE,
)
_NUMBERS = {
    word: number
    for number, word in enumerate(
        ("one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten"), 1
    )
} | {"twelve": 12, "fifteen": 15}
STOOD_IN_SHOP = 2  # years between being built and bought, at most (common practice)


def age_said(text: str, *, year: int) -> AgeSaid | None:
    """Return when the machine was built; year: in which the listing was seen."""
    built = _BUILT.search(text)
    if built and int(built[1]) <= year:
        return AgeSaid(int(built[1]), int(built[1]), built.group())
    bought = _BOUGHT.search(text)
    if bought and int(bought[1]) <= year:
        return AgeSaid(int(bought[1]) - STOOD_IN_SHOP, int(bought[1]), bought.group())
    old = _OLD.search(text)
    if old:
        age = _NUMBERS[old[1].lower()] if old[1].isalpha() else int(old[1])
        if 0 <= age <= 40:
            return AgeSaid(year - age - 1, year - age, old.group())
    return None


# Before a number: it is another machine's, or a part's.
_ELSEWHERE = re.compile(
    r"\b(fits?|suits?|suitable for|compatible with|same as|similar to|like the|as the|"
    r"replac(?:es|ing)|swap(?:ped)? for|upgraded to|upgrading to|"
    r"also (?:have|selling)|got a|instead of|serial(?: no\.?| number)?|s/?n|"
    r"part(?: no\.?| number)?)(?!\w)[^.;\n]{0,24}$",
    re.IGNORECASE,
)
_PLATED = re.compile(
    r"\b(model|modell|mod|type|typ|series|e-?nr|pnc|product(?: code)?|number|no|nr|item|ref)\b"
    r"[\s.:#-]*(?:is|no|nr|number|code)?[\s.:#-]*$",
    re.IGNORECASE,
)


def is_elsewhere(text: str, start: int) -> bool:
    """Whether the words before a number say that it is not this machine's model."""
    return bool(_ELSEWHERE.search(text[max(0, start - 48) : start]))


def is_plated(text: str, start: int) -> bool:
    """Whether a word of the plate stands right before a number: "model", "type"."""
    return bool(_PLATED.search(text[max(0, start - 28) : start]))
