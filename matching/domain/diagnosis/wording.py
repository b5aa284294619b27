"""What a customer's sentence says and what it denies, word by word.

A sentence and the words of a symptom are read the same way: stems without articles and the like,
each with whether "not" stands before it, commas and "but" as ends of what belongs together. So
"won't heat", "isn't heating" and "has stopped heating" are one, and "no leak" is no leak.
Stems: Snowball English (snowballstemmer). What means the same in the trade is data
(`alike` of fixtures/reference/symptoms.json).
"""

import re
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from functools import lru_cache
from threading import Lock

import snowballstemmer

# Words that may stand between those of one phrase: "drum [in it] does not turn".
MOST_BETWEEN = 2
# How many words after the one that is denied are not said either: "no sign of any leak".
DENIED_FURTHER = 2

_TOKEN = re.compile(r"[^\W_]+(?:'[^\W_]+)*|[,.;:!?()\n]|\s[-/–—]\s|[–—]")
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
    """stem: blank where a clause ends. denied: "not" stands before it. unsaid: further behind."""

    stem: str
    denied: bool = False
    unsaid: bool = False


_END = Word("")
Signs = tuple[tuple[str, bool], ...]


@dataclass(frozen=True, eq=False)
class Alike:
    """Words that mean the same: from what is said to the one word that stands for it."""

    turned: dict[Signs, Signs]

    @classmethod
    def of(cls, rows: Iterable[Sequence[str]]) -> "Alike":
        """Build from rows of words; the first of each stands for the others."""
        turned: dict[Signs, Signs] = {}
        for first, *others in rows:
            for other in others:
                turned.setdefault(_signs(other), _signs(first))
        return cls(turned)

    @property
    def longest(self) -> int:
        return max(map(len, self.turned), default=0)


NONE_ALIKE = Alike({})


def read(text: str, alike: Alike = NONE_ALIKE) -> tuple[Word, ...]:
    """Return the words of a text that tell something, in order."""
    return tuple(_with_one_name(_signed(_tokens(text)), alike))


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
    for start in range(len(told)):
        found = _follow(asked, told, start)
        if found:
            yield found


def _follow(asked: Sequence[Word], told: Sequence[Word], start: int) -> tuple[int, ...]:
    at: list[int] = []
    denied = crosses = False
    for word in asked:
        if not word.stem:
            crosses = bool(at)
            continue
        place = _next(word, told, at[-1] + 1, denied, crosses) if at else start
        if place is None or not _agrees(word, told[place], denied_before=denied):
            return ()
        at.append(place)
        denied, crosses = denied or word.denied, False
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
    """Whether a word says what is asked; behind the phrase's own "not" words may be unsaid."""
    if wanted.stem != word.stem or wanted.denied != word.denied:
        return False
    return word.denied or denied_before or not word.unsaid


def _tokens(text: str) -> list[str]:
    plain = text.casefold().replace("’", "'").replace("`", "'")
    return [_ENDINGS.sub("", one) for one in _TOKEN.findall(plain)]


def _signed(tokens: Sequence[str]) -> list[Word]:
    words: list[Word] = []
    waiting = ""  # the "not" whose word is still to come
    denied_in_clause, unsaid = False, 0
    for place, token in enumerate(tokens):
        after = tokens[place + 1] if place + 1 < len(tokens) else "."
        if token in ("or", "nor") and denied_in_clause:
            waiting = token
        elif not token[0].isalnum() or token in _ENDS or token == "or":
            _settle(words, waiting)
            words.append(_END)
            waiting, denied_in_clause, unsaid = "", False, 0
        elif _is_not(token, after, waiting):
            waiting, denied_in_clause = token, True
        elif _is_idle(token, after):
            continue
        else:
            words.append(Word(_stem(token), bool(waiting), unsaid > 0))
            unsaid = DENIED_FURTHER if waiting else unsaid - 1
            waiting = ""
    _settle(words, waiting)
    return words


def _settle(words: list[Word], waiting: str) -> None:
    """Settle a "not" at the end of a clause: "it does nothing", "it heats not"."""
    if waiting == "nothing":
        words.append(Word(waiting))
    elif waiting == "not" and words and words[-1].stem:
        words[-1] = Word(words[-1].stem, denied=True)


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
            yield Word(stem, denied, said[place].unsaid)
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
