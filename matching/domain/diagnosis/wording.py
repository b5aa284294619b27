"""What a customer's sentence says and what it denies, word by word.

A sentence and the words of a symptom are read the same way: stems without articles and the like,
each with whether "not" stands before it, commas and "but" as ends of what belongs together. So
"won't heat", "isn't heating" and "has stopped heating" are one, and "no leak" is no leak.
A list keeps its "not" up to "or"; "leaks: no" and "any leak? No." deny what stands before, and so
do "gone", "repaired", "fine" at the end of it. "The lamp does not come on" is said of the lamp,
never of the machine. Stems: Snowball English (snowballstemmer). What means the same in the trade
and what is a component is data (`alike`, `components` of fixtures/reference/symptoms.json).
"""

import re
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from threading import Lock

import snowballstemmer

# Words that may stand between those of one phrase: "drum [in it] does not turn".
MOST_BETWEEN = 2
# How many words after the one that is denied are not said either: "no sign of any leak".
DENIED_FURTHER = 2

_DENIES = "\x1f"  # stands in the tokens for "no" as the answer to what is before it
_TOKEN = re.compile(r"[^\W_]+(?:'[^\W_]+)*|[,.;:!?()\n\x1f]|\s[-/–—]\s|[–—]")
_APOSTROPHES = str.maketrans(dict.fromkeys("’‘`´ʼ′＇‛ʹ", "'"))
_ANSWER = re.compile(
    r"(?:[:?]|\s[-–—])\s*(?:no|none|nope|never|not really|not at all)\s*(?=[.,;:!?)\n]|$)"
)
_DENYING = r"(?:(?:do|does|did|could|can) ?not|cannot|(?:do|does|did|could|ca)n'?t)"
# What holds a "not" that denies nothing of what follows.
_ASIDES = re.compile(
    rf"\b(?:(?:no|not) (?:idea|clue|sure|certain)|{_DENYING} (?:know|understand|tell|say|see))"
    r" (?:exactly |just )?(?:why|how|what|where|when|whether|if)\b"
    r"|\bwithout (?:any )?(?:warning|notice|reason|cause)\b"
    r"|\bfor no (?:apparent |obvious |good )?reason\b|\bno (?:doubt|wonder|surprise)\b"
    r"|\bno matter (?:what|how|which|where|when)\b"
    r"|\bnothing (?:else )?(?:but|except(?: for)?|other than|apart from)\b"
    r"|\b(?:apart|aside) from\b|\bexcept(?:ing)?(?: for| that)?\b|\bother than\b|\bbesides\b"
)
_NOT_ONLY = re.compile(rf"\b(?:{_DENYING}|not) (?:only|just|merely)\b")
_ENDINGS = re.compile(r"'(?:s|ll|ve|re|d|m)$")
_STEMMER = snowballstemmer.stemmer("english")
_ONE_AT_A_TIME = Lock()  # a stemmer keeps the word it works on


def _words(text: str) -> frozenset[str]:
    return frozenset(text.split())


_NOT = _words(
    "not no never nothing none without hardly barely scarcely neither nor cannot cant wont dont "
    "doesnt didnt isnt arent wasnt werent hasnt havent wouldnt couldnt"
)
_NOT_BEFORE_TO = _words(
    "refuse refuses refused refusing fail fails failed failing unable inability"
)
_NOT_BEFORE_ING = _words("stop stops stopped quit quits ceased ceases")
_ENDS = _words("and but though although however yet because so then except otherwise whereas also")
_SUBJECTS = _words("it they i we he she there this that which")
# "it leaks since the pump was replaced": what was put right is only what stands behind these.
_SINCE = _words("since after when whenever where which who whose until before while")
_MENDED = _words("fixed repaired replaced renewed mended cured solved fitted")
_WELL = _words("fine good ok okay alright gone")
_WISHED = _words("need needs needed want wants wanted please must should can could would like hope")
_SETTLING = _words("fix repair replac renew mend cure solv fit fine good ok okay alright gone")
_IDLE = _words(
    "a an the this that these those it its itself my our your his her their i we you he she "
    "they me us is are was were be been being am do does did done doing will would can could "
    "should may might must has have had having get gets getting got gotten go goes going gone "
    "make makes making made become becomes just even really very quite rather completely "
    "totally entirely absolutely properly correctly right any anymore anything something "
    "everything thing things some all more longer than at of to with for from by as like bit "
    "again always often sometimes suddenly now today still when whenever if while during every "
    "each machine appliance customer seems seem appears appear what whatever where"
)
# Said of the whole machine, unless a component stands just before: "the pump does not start".
_OF_MACHINE = _words("start respond react work dead nothing lifeless life sign reaction power")
_MACHINE = _words(
    "it machine appliance washer washing dryer drier dishwasher fridge freezer microwave oven "
    "cleaner vacuum hoover"
)
_PLACES = _words(
    "in inside within on at of to from by under behind near front back rear top bottom side left "
    "right itself own simply either too the a an"
)
# Idle within a sentence, telling at the end of one: "the drum stands still", "suction gone".
_TELLING_LAST = frozenset({"still", "gone"})
_IRREGULAR = {
    "came": "come", "spun": "spin", "broken": "break", "broke": "break", "blew": "blow",
    "blown": "blow", "torn": "tear", "burnt": "burn", "stood": "stand", "threw": "throw",
    "thrown": "throw", "kept": "keep", "took": "take", "taken": "take", "ran": "run",
    "lit": "light", "noisy": "noise", "leaky": "leak", "icy": "ice", "frosty": "frost",
    "wound": "wind", "fell": "fall", "fallen": "fall", "ground": "grind", "lost": "lose",
    "sat": "sit", "stuck": "stick", "died": "die", "dying": "die", "held": "hold",
    "froze": "freeze", "frozen": "freeze", "left": "left", "hotter": "hot", "colder": "cold",
    "warmer": "warm", "louder": "loud", "loudly": "loud", "working": "work", "shook": "shake",
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Word:
    """stem: blank where a clause ends. denied: "not" stands before it. unsaid: further behind.

    of_part: a component stands just before it, so it is not said of the machine.
    """

    stem: str
    denied: bool = False
    unsaid: bool = False
    of_part: bool = False


_END = Word("")
Signs = tuple[tuple[str, bool], ...]


@dataclass(frozen=True, eq=False)
class Alike:
    """Words that mean the same: from what is said to the one word that stands for it.

    components: stems of what may not start, work or respond though the machine does.
    """

    turned: dict[Signs, Signs]
    components: frozenset[str] = frozenset()

    @classmethod
    def of(cls, rows: Iterable[Sequence[str]], components: Iterable[str] = ()) -> "Alike":
        """Build from rows of words; the first of each stands for the others."""
        turned: dict[Signs, Signs] = {}
        for first, *others in rows:
            for other in others:
                turned.setdefault(_signs(other), _signs(first))
        return cls(turned, frozenset(map(_stem, components)))

    @property
    def longest(self) -> int:
        return max(map(len, self.turned), default=0)


NONE_ALIKE = Alike({})


def read(text: str, alike: Alike = NONE_ALIKE) -> tuple[Word, ...]:
    """Return the words of a text that tell something, in order."""
    return tuple(_with_one_name(_signed(_tokens(text), alike.components), alike))


@lru_cache(maxsize=20_000)
def phrase(words: str, alike: Alike = NONE_ALIKE) -> tuple[Word, ...]:
    """Return `read` of the words of a table, which are read again and again."""
    return read(words, alike)


def places(asked: Sequence[Word], told: Sequence[Word]) -> Iterator[tuple[int, ...]]:
    """Yield where a phrase stands in a text: the place of each of its words, in order.

    Few words may stand between; the end of a clause only where the phrase has one as well.
    """
    if not any(word.stem for word in asked):
        return
    of_machine = asked[0].stem in _OF_MACHINE
    for start in range(len(told)):
        if of_machine and told[start].of_part:
            continue
        found = _follow(asked, told, start)
        if found:
            yield found


def _follow(asked: Sequence[Word], told: Sequence[Word], start: int) -> tuple[int, ...]:
    at: list[int] = []
    denied = any(word.denied or word.stem in _SETTLING for word in asked)
    crosses = False
    for word in asked:
        if not word.stem:
            crosses = bool(at)
            continue
        place = _next(word, told, at[-1] + 1, denied, crosses) if at else start
        if place is None or not _agrees(word, told[place], denied_before=denied):
            return ()
        at.append(place)
        crosses = False
    return tuple(at)


def _next(
    wanted: Word, told: Sequence[Word], start: int, denied: bool, crosses: bool
) -> int | None:
    between = 0
    for place in range(start, len(told)):
        word = told[place]
        if _agrees(wanted, word, denied_before=denied):
            return place
        between += bool(word.stem)
        if between > MOST_BETWEEN or not (word.stem or crosses):
            return None
    return None


def _agrees(wanted: Word, word: Word, *, denied_before: bool) -> bool:
    """Whether a word says what is asked; in a phrase with its own "not" words may be unsaid."""
    if wanted.stem != word.stem or wanted.denied != word.denied:
        return False
    return word.denied or denied_before or not word.unsaid


def _tokens(text: str) -> list[str]:
    plain = text.casefold().translate(_APOSTROPHES).replace(_DENIES, " ")
    plain = _ASIDES.sub(" , ", _NOT_ONLY.sub(" ", _ANSWER.sub(_DENIES, plain)))
    return [_ENDINGS.sub("", one) for one in _TOKEN.findall(plain)]


def _signed(tokens: Sequence[str], components: frozenset[str] = frozenset()) -> list[Word]:
    return _Reading(tokens, components).words


class _Reading:
    """One pass over the tokens: what each word of a clause stands under."""

    def __init__(self, tokens: Sequence[str], components: frozenset[str]) -> None:
        self.words: list[Word] = []
        self._tokens, self._components = tokens, components
        self._begin_clause()
        for place, token in enumerate(tokens):
            self._take(place, token)
        _settle(self.words, self._waiting, of_part=self._of_part)

    def _begin_clause(self) -> None:
        self._first = len(self.words)
        self._waiting = ""  # the "not" whose word is still to come
        self._not = ""  # the last "not" of the clause
        self._unsaid = 0  # how many words more are not said either
        self._listed = self._carried = False
        self._mended = self._wished = self._of_part = False

    def _take(self, place: int, token: str) -> None:
        after = self._tokens[place + 1] if place + 1 < len(self._tokens) else "."
        if token == _DENIES:
            self._deny_clause()
            self._end_clause()
        elif token in ("or", "nor") and self._not:
            self._waiting, self._listed = token, True
        elif token == "," and self._not and _list_goes_on(self._tokens, place, self):
            self._waiting = token
        elif token == "and" and self._carried and not self._listed:
            self._waiting, self._listed = token, True
        elif self._ends(token):
            self._end_clause()
        elif _is_not(token, after, self._waiting):
            self._waiting = self._not = token
        elif _is_idle(token, after):
            self._pass_over(place, token)
        else:
            self._say(place, token)

    def _ends(self, token: str) -> bool:
        if token in ("now", "still"):
            return self._mended  # "repaired last year now it leaks"
        return not token[0].isalnum() or token in _ENDS or token == "or"

    def _end_clause(self) -> None:
        _settle(self.words, self._waiting, of_part=self._of_part)
        self.words.append(_END)
        self._begin_clause()

    def _pass_over(self, place: int, token: str) -> None:
        self._note_wish(token)
        if token in _MACHINE and not self._after_place(place):
            self._of_part = False

    def _note_wish(self, token: str) -> None:
        self._wished = self._wished or token in _WISHED
        if token in _SINCE:
            self._first = len(self.words)

    def _after_place(self, place: int) -> bool:
        before = self._tokens[max(0, place - 2) : place]
        return any(one in _PLACES and one not in ("the", "a", "an") for one in before)

    def _say(self, place: int, token: str) -> None:
        self._note_wish(token)
        if self._settles(place, token):
            self._unsay_clause()
        stem = _stem(token)
        denied = bool(self._waiting)
        of_part = self._of_part or (denied and self._on_part(place))
        self.words.append(Word(stem, denied, self._unsaid > 0 or self._mended, of_part))
        self._mended = self._mended or (token in _MENDED and not denied and not self._wished)
        self._unsaid = DENIED_FURTHER if denied and stem != "stop" else self._unsaid - 1
        self._waiting = ""
        if stem in self._components and not denied:
            self._of_part = True
        elif not denied and token not in _PLACES and token not in _MACHINE:
            self._of_part = False

    def _on_part(self, place: int) -> bool:
        """Whether what is denied is done to a component: "will not start the pump"."""
        for token in self._tokens[place + 1 :]:
            if token not in ("the", "a", "my", "on", "up", "off"):
                return token[0].isalnum() and _stem(token) in self._components
        return False

    def _settles(self, place: int, token: str) -> bool:
        """Whether a word says that what stands before it in the clause is well."""
        if self._waiting or self._unsaid > 0 or self._wished:
            return False
        if token in _MENDED:
            return True
        counted = place > 0 and self._tokens[place - 1] in ("a", "no")  # "for a good while"
        return token in _WELL and not counted and self._is_last(place)

    def _is_last(self, place: int) -> bool:
        for token in self._tokens[place + 1 :]:
            if not token[0].isalnum() or token in _ENDS:
                return True
            if token not in _IDLE:
                return False
        return True

    def _unsay_clause(self) -> None:
        for at in range(self._first, len(self.words)):
            self.words[at] = replace(self.words[at], unsaid=True)

    def _deny_clause(self) -> None:
        """What was asked or named and answered "no": its last word is denied, none is said."""
        if self._not or len(self.words) == self._first:
            return
        self._unsay_clause()
        self.words[-1] = replace(self.words[-1], denied=True)


def _list_goes_on(tokens: Sequence[str], place: int, reading: "_Reading") -> bool:
    """Whether a comma behind a "not" is one of a list that ends in "or": "no leak, noise or smell".

    In "and" only where the words cannot be said of the machine: "doesn't leak, trip and smell".
    """
    if reading._listed:
        return place + 1 < len(tokens) and tokens[place + 1] in ("or", "nor")
    said: list[str] = []
    length = 0
    for at in range(place + 1, len(tokens)):
        token = tokens[at]
        if token in ("or", "nor"):
            return True
        if token == "and":
            after = tokens[at + 1 : at + 2]
            reading._carried = length > 0 and _are_bare([*said, *after], reading._not)
            return reading._carried
        if token in _SUBJECTS or token in _ENDS or _is_not(token, ".", ""):
            return False
        if token == ",":
            length = 0
        elif not token[0].isalnum():
            return False
        else:
            length += 1
            said.append(token)
        if length > MOST_BETWEEN + 1:
            return False
    return False


def _are_bare(words: Sequence[str], denier: str) -> bool:
    """Whether words go with "without", or are verbs as they stand behind "does not"."""
    if denier == "without":
        return True
    verbal = denier in ("not", "cannot") or denier.endswith(("nt", "n't"))
    return verbal and not any(word.endswith(("s", "ing", "ed")) for word in words)


def _settle(words: list[Word], waiting: str, *, of_part: bool = False) -> None:
    """Settle a "not" at the end of a clause: "it does nothing", "it heats not"."""
    if waiting == "nothing":
        words.append(Word(waiting, of_part=of_part))
    elif waiting == "not" and words and words[-1].stem:
        words[-1] = replace(words[-1], denied=True)


def _is_not(token: str, after: str, waiting: str) -> bool:
    if token in _NOT or token.endswith("n't"):
        return True
    if token in _NOT_BEFORE_TO:
        return after == "to"
    return token in _NOT_BEFORE_ING and after.endswith("ing") and not waiting


def _is_idle(token: str, after: str) -> bool:
    if token in ("start", "starts", "started"):
        return after.endswith("ing")  # "does not start spinning"
    return token in _IDLE and not (token in _TELLING_LAST and not after[0].isalnum())


@lru_cache(maxsize=20_000)
def _stem(word: str) -> str:
    with _ONE_AT_A_TIME:
        return str(_STEMMER.stemWord(_IRREGULAR.get(word, word)))


def _signs(words: str) -> Signs:
    return tuple((word.stem, word.denied) for word in _signed(_tokens(words)) if word.stem)


def _with_one_name(words: Iterable[Word], alike: Alike) -> Iterator[Word]:
    said = list(words)
    place = 0
    while place < len(said):
        length, names = _name(said, place, alike)
        for stem, denied in names:
            yield Word(stem, denied, said[place].unsaid, said[place].of_part)
        place += length


def _name(said: Sequence[Word], place: int, alike: Alike) -> tuple[int, Signs]:
    """Return how many words are replaced and by what; a "not" before them stays before it."""
    for length in range(min(alike.longest, len(said) - place), 0, -1):
        (stem, denied), *others = [(one.stem, one.denied) for one in said[place : place + length]]
        if ((stem, denied), *others) in alike.turned:
            return length, alike.turned[((stem, denied), *others)]
        if denied and ((stem, False), *others) in alike.turned:
            (first, _), *more = alike.turned[((stem, False), *others)]
            return length, ((first, True), *more)
    return 1, ((said[place].stem, said[place].denied),)
