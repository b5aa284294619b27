"""Does this part fit that job: evidence rows first, then their sum, then the verdict.

The rows are the score: prior odds of the kind plus one weight a piece of evidence, in bits
(log2 of a likelihood ratio; Fellegi and Sunter 1969). Nothing is added that is not a row.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import cached_property

from matching.domain import part_types, sentences
from matching.domain.comparisons import (
    FAMILY_SURE,
    AttributeFinding,
    NumberFinding,
    compare_attributes,
    compare_builds,
    compare_models,
    compare_numbers,
)
from matching.domain.correcting import correction
from matching.domain.knowledge import Knowledge
from matching.domain.known_breaks import BreakFinding, compare_across
from matching.domain.odds import shift_by_counts, to_bits, to_p
from matching.domain.outcomes import Counts
from matching.domain.places import differing
from matching.domain.places import features as place_features
from matching.domain.rules import REFUSES, Cover, strongest
from matching.domain.sides import Line, Row, Side
from matching.domain.sightings import overlap
from matching.domain.verdicts import Verdict
from matching.domain.weights import GIVEN, Place

# Rows that may speak for pairs no key finds: alone they keep none. The kind itself; what was
# noted of other parts, which is guessed for both sides; which type both are taken for; what
# differences between the numbers and sums like this were off by.
NEVER_ALONE = frozenset({"start", "noted elsewhere", "one type", "number places", "calibration"})
FAMILY_LEVELS = frozenset({"same", "immaterial", "same-revision", "same-family", "other-revision"})


@dataclass(frozen=True, eq=False)
class Score:
    """The odds that one part fits one need, and why. `bits` equals the sum of the rows.

    lines: the rows, their sentences not written before somebody reads them. levels: what was
    looked up in the table of weights, and where; what learning counts. beside: what the
    correction weighs beside the rows (places.py, part_types.py), by name; not compared.
    """

    lines: tuple[Row | Line, ...]
    bits: float
    verdict: Verdict
    stopped: bool = False
    levels: tuple[tuple[Place, str], ...] = ()
    beside: tuple[tuple[str, float], ...] = ()

    def __eq__(self, other: object) -> bool:
        return isinstance(other, Score) and self._all() == other._all()

    def _all(self) -> tuple[object, ...]:
        return self.rows, self.bits, self.verdict, self.stopped, self.levels

    @cached_property
    def rows(self) -> tuple[Row, ...]:
        return tuple(line.row() for line in self.lines)

    @cached_property
    def p_fit(self) -> float:
        return to_p(self.bits)

    @property
    def spoken_for(self) -> bool:
        """Whether evidence that a key finds speaks for the pair (matching/asking.py)."""
        return any(line.bits > 0 for line in self.lines if line.evidence not in NEVER_ALONE)


def score(offer: Side, want: Side, known: Knowledge) -> Score:
    """Return the score of one pair. Pure: the same sides and knowledge give the same rows."""
    tally = _Tally(offer, want, known)
    for step in STEPS:
        step(tally)
        if tally.stopped:
            break
    bits = tally.bits
    verdict = _verdict(tally, bits)
    levels, beside = tuple(tally.levels), tuple(tally.beside)
    return Score(tuple(tally.lines), bits, verdict, tally.stopped, levels, beside)


class _Tally:
    """The rows so far, and the findings later steps look back at."""

    def __init__(self, offer: Side, want: Side, known: Knowledge) -> None:
        self.offer, self.want, self.known = offer, want, known
        self.kind, self.weights = known.kind, known.weights
        self.lines: list[Line] = []
        self.levels: list[tuple[Place, str]] = []
        self.beside: list[tuple[str, float]] = []
        self.number = NumberFinding("unknown")
        self.model = "unknown"
        self.counts = Counts()
        self.rule_says = ""
        self.stopped = False

    @property
    def bits(self) -> float:
        return sum([line.bits for line in self.lines])

    def add(
        self,
        evidence: str,
        level: str,
        bits: float,
        say: Callable[..., str],
        *about: object,
        shown: tuple[str, str] = ("", ""),
    ) -> None:
        """Add a line. say: the sentence, written from `about` when somebody reads it."""
        self.lines.append(Line(evidence, level, bits, *shown, say, about))

    def table(self, evidence: str, level: str, *, after_number: bool = True) -> float:
        """Return the bits of a level, given how the part numbers compare, and note the asking."""
        place = f"{evidence}{GIVEN}{self.number.group}" if after_number else evidence
        if level != "unknown":
            self.levels.append((place, level))
        return self.known.weigh(place, level)

    def weigh(self, features: Mapping[str, float]) -> float:
        """Return the bits past fittings give to these, and note that they were there."""
        self.beside += features.items()
        corrections = self.weights.correction
        return sum([corrections.get(name, 0.0) * value for name, value in features.items()])

    def stop(
        self,
        evidence: str,
        level: str,
        say: Callable[..., str],
        *about: object,
        shown: tuple[str, str] = ("", ""),
    ) -> None:
        self.add(evidence, level, self.weights.number("hard_stop"), say, *about, shown=shown)
        self.stopped = True


def _prior(tally: _Tally) -> None:
    bits = tally.weights.prior_of(tally.kind)
    tally.add("start", tally.kind.fit_class, bits, sentences.prior, tally.kind)


def _reuse(tally: _Tally) -> None:
    if tally.kind.never_reused:
        tally.stop("reuse", "never", sentences.never_reused, tally.kind)


def _tried_here(tally: _Tally) -> None:
    """A part that did not fit this very need stays out, whatever else speaks for it."""
    if tally.known.outcomes.did_not_fit(tally.offer, tally.want):
        tally.stop("past fittings", "did-not-fit-here", str, sentences.DID_NOT_FIT_HERE)


def _number(tally: _Tally) -> None:
    tally.number = compare_numbers(tally.offer, tally.want, tally.known.graph)
    level = tally.number.level
    shown = (tally.offer.number.raw, tally.want.number.raw)
    bits = tally.table("number", level, after_number=False)
    about = (tally.number, *shown, tally.known.show)
    tally.add("part number", level, bits, sentences.number, *about, shown=shown)


def _model(tally: _Tally) -> None:
    ours, theirs = tally.offer.machine, tally.want.machine
    tally.model = compare_models(ours, theirs, tally.kind)
    bits = tally.table("model", tally.model) * min(ours.sure, theirs.sure, 1.0)
    about, shown = (tally.model, ours, theirs), (ours.number, theirs.number)
    tally.add("model", tally.model, bits, sentences.model, *about, shown=shown)


def _build(tally: _Tally) -> None:
    ours, theirs = tally.offer.machine.built, tally.want.machine.built
    related = tally.model in FAMILY_LEVELS
    found = _breaks(tally) if related else BreakFinding()
    level = found.level
    if level == "unknown":
        level = compare_builds(ours, theirs, tally.weights.table["build_years"])
    bits = tally.table("build", level) if related else 0.0
    shown = (str(ours or ""), str(theirs or ""))
    if found.known is not None:
        about = (found.known, found.offered, tally.known.show)
        tally.add("build date", level, bits, sentences.across_break, *about, shown=shown)
    else:
        tally.add("build date", level, bits, sentences.build, level, ours, theirs, shown=shown)


def _breaks(tally: _Tally) -> BreakFinding:
    machines = tally.offer.machine, tally.want.machine
    return compare_across(*machines, tally.known.breaks, tally.known.graph)


def _attributes(tally: _Tally) -> None:
    found = compare_attributes(tally.offer, tally.want, tally.kind)
    for one in found:
        if one.level == "conflict" and one.hard:
            shown = (one.offered, one.wanted)
            tally.stop("attributes", "conflict", sentences.stop, one, shown=shown)
            return
    level, bits = _attribute_bits(tally, found)
    tally.add("attributes", level, bits, sentences.attributes, found)


def _attribute_bits(tally: _Tally, found: list[AttributeFinding]) -> tuple[str, float]:
    """Return the level and bits of all attributes together.

    Ratings nearly every part of a kind shares (mains voltage) say little when they agree,
    so hard attributes count only against; at most a few agreements are counted.
    """
    if not found:
        return "unknown", 0.0
    telling = [one for one in found if one.level == "conflict" or not one.hard]
    weighed = [(tally.table(f"attributes {one.name}", one.level), one.level) for one in telling]
    conflicts = [bits for bits, level in weighed if level == "conflict"]
    if conflicts:
        return "conflict", sum(conflicts)
    most = int(tally.weights.number("attributes", "most_counted"))
    bits = sum(sorted((bits for bits, _ in weighed), reverse=True)[:most])
    level = "agrees" if all(one.level == "agrees" for one in found) else "within-tolerance"
    return level, bits


def _noted(tally: _Tally) -> None:
    """Where an attribute is not stated on both sides: what was noted of such parts elsewhere."""
    found = [] if tally.number.agrees else tally.known.noted.guesses(tally.offer, tally.want)
    bits = sum(tally.table(f"noted {one.name}", one.level) for one in found)
    level = "unknown"
    if found:
        level = "conflict" if any(one.level == "conflict" for one in found) else "agrees"
    tally.add("noted elsewhere", level, bits, sentences.noted, found)


def _sightings(tally: _Tally) -> None:
    if tally.number.agrees or tally.number.level == "same-stem":
        tally.add("sightings", "not-needed", 0.0, str, sentences.SIGHTINGS_IDLE)
        return
    index = tally.known.sightings
    ours, theirs = index.beliefs(tally.offer, tally.want, tally.model)
    both_printed = bool(tally.offer.number and tally.want.number)
    hits, tries = overlap(ours, theirs, tally.known.graph)
    other_make = tally.model == "other-make" and hits == 0.0
    if both_printed or not tries or other_make:
        tally.add("sightings", "unknown", 0.0, str, sentences.SIGHTINGS_UNKNOWN)
        return
    strength = tally.weights.number("sightings", "strength")
    bits = shift_by_counts(tally.bits, hits=hits, tries=tries, strength=strength)
    level = theirs.nearest if ours.nearest == "printed" else ours.nearest
    seen = level if hits > 0 else "never"
    about = (ours, theirs, hits, tries, tally.known.show)
    shown = (ours.likeliest(), theirs.likeliest())
    tally.add("sightings", seen, bits, sentences.sightings, *about, shown=shown)


def _outcomes(tally: _Tally) -> None:
    counts = tally.known.outcomes.counts(tally.offer, tally.want)
    tally.counts = counts
    if not counts.tries:
        tally.add("past fittings", "unknown", 0.0, str, sentences.OUTCOMES_UNKNOWN)
        return
    strength = tally.weights.number("outcomes", "strength", counts.basis)
    bits = shift_by_counts(tally.bits, hits=counts.fits, tries=counts.tries, strength=strength)
    tally.add("past fittings", counts.basis, bits, sentences.outcomes, counts)


def _places(tally: _Tally) -> None:
    """What differences at these places of the model numbers were worth, where that was learned."""
    if not tally.weights.learned:
        return
    found = differing(tally.offer.machine, tally.want.machine)
    names = place_features(tally.kind, tally.offer.machine.make, found)
    bits = tally.weigh(dict.fromkeys(names, 1.0))
    level = "unknown" if found is None else "differ" if found else "same"
    tally.add("number places", level, bits, sentences.places, found, bits)


def _types(tally: _Tally) -> None:
    """Whether both are of one type, where types were drawn from past fittings."""
    odds = tally.known.types.one_type(tally.offer, tally.want)
    if odds is None:
        return
    bits = tally.weigh(part_types.features(tally.kind, odds))
    chance = to_p(odds)
    level = "likely" if chance >= 0.75 else "unlikely" if chance <= 0.25 else "open"
    tally.add("one type", level, bits, sentences.one_type, chance)


def _calibration(tally: _Tally) -> None:
    """What sums like this one were off by, where that was learned."""
    corrections = tally.weights.correction
    if corrections:
        bits = correction(corrections, tally.kind.slug, tally.lines)
        tally.add("calibration", "learned", bits, sentences.calibration, bits)


def _rule(tally: _Tally) -> None:
    cover = strongest(tally.known.rules, tally.offer, tally.want)
    if cover is None:
        tally.add("rule", "none", 0.0, str, sentences.NO_RULE)
        return
    rule = cover.rule
    if not cover.certain:
        _perhaps(tally, cover)
        return
    tally.rule_says = rule.says
    if rule.says == "does-not-fit":
        tally.stop("rule", rule.says, sentences.rule, rule)
        return
    bits = tally.weights.number("rule", rule.says)
    tally.add("rule", rule.says, bits, sentences.rule, rule)


def _perhaps(tally: _Tally, cover: Cover) -> None:
    """A rule that may cover the pair: the odds are those of either case, by their chances."""
    rule, share = cover.rule, cover.share or 0.0
    p = to_p(tally.bits)
    stop = rule.says == REFUSES
    p_if = 0.0 if stop else to_p(tally.bits + tally.weights.number("rule", rule.says))
    bits = to_bits((1.0 - share) * p + share * p_if) - to_bits(p)
    tally.rule_says = "perhaps-not" if stop else ""
    tally.add("rule", f"perhaps-{rule.says}", bits, sentences.rule_perhaps, cover)


STEPS: tuple[Callable[[_Tally], None], ...] = (
    _prior,
    _reuse,
    _tried_here,
    _number,
    _model,
    _build,
    _attributes,
    _noted,
    _sightings,
    _outcomes,
    _types,
    _places,
    _calibration,
    _rule,
)


def _verdict(tally: _Tally, bits: float) -> Verdict:
    """Return the word for the odds: what is printed or proved first, then how likely."""
    p = to_p(bits)
    limits = tally.weights.limits()
    if tally.stopped or p < limits["check"]:
        return Verdict.DOES_NOT_FIT
    if tally.rule_says == "perhaps-not":
        return Verdict.CHECK_FIRST
    if tally.rule_says == "fits-with-conditions":
        return Verdict.LIKELY_FITS if p >= limits["likely"] else Verdict.CHECK_FIRST
    if tally.number.level == "same" and p >= limits["known"]:
        return Verdict.SAME_PART
    if _proved(tally, limits) and p >= limits["known"]:
        return Verdict.KNOWN_TO_FIT
    return Verdict.LIKELY_FITS if p >= limits["likely"] else Verdict.CHECK_FIRST


def _proved(tally: _Tally, limits: dict[str, float]) -> bool:
    if tally.number.level == "interchange" or tally.rule_says == "fits":
        return True
    counts = tally.counts
    enough = counts.fits >= limits["known_outcomes"] and counts.fits >= 0.9 * counts.tries
    if counts.basis == "number-in-family":
        machines = tally.offer.machine, tally.want.machine
        return enough and all(machine.sure >= FAMILY_SURE for machine in machines)
    return counts.basis == "numbers" and enough
