"""The sentences that explain a score. One function an evidence; numbers as people say them."""

from collections.abc import Callable, Sequence

from donors.domain.machines import Machine
from matching.domain.comparisons import AttributeFinding, NumberFinding
from matching.domain.known_breaks import KnownBreak
from matching.domain.noted import Guess
from matching.domain.outcomes import Counts
from matching.domain.rules import ApprovedRule, Cover
from matching.domain.sightings import Belief
from parts.domain.kinds import Kind
from workshop.domain.intervals import Interval

SIGHTINGS_IDLE = "The printed numbers were compared; where they were seen adds nothing."
SIGHTINGS_UNKNOWN = "No sightings say which part number this machine carries."
OUTCOMES_UNKNOWN = "No past fitting like this one."
DID_NOT_FIT_HERE = "This very part was tried for this job before and did not fit."
NO_RULE = "No approved rule covers this pair."

PRIORS = {
    "exact-only": "This kind must match by number and index; few parts of the kind fit.",
    "spec-match": "This kind may match by mount, ratings and connector.",
    "measured-match": "This kind may match by measured size and values.",
    "cosmetic": "This kind must match by family and colour.",
}


def prior(kind: Kind) -> str:
    return PRIORS[kind.fit_class]


def never_reused(kind: Kind) -> str:
    return f"{kind.name or kind.slug} is never reused. {kind.reuse_advice}".strip()


def number(
    found: NumberFinding, offered: str, wanted: str, show: Callable[[str], str] = str
) -> str:
    if found.level == "interchange":
        return f"Interchange on record: {' > '.join(map(show, found.path))}."
    return {
        "unknown": _unread(offered, wanted),
        "same": f"Same part number: {offered}.",
        "one-confusable-apart": (
            f"{offered} and {wanted} differ in one character that is easily misread; "
            "read both again."
        ),
        "same-stem": f"{offered} and {wanted} share their stem; the index differs.",
        "other-make-number": f"{offered} and {wanted} are numbers of two makes.",
        "different": f"Different part numbers: {offered} and {wanted}.",
    }[found.level]


def _unread(offered: str, wanted: str) -> str:
    if not offered and not wanted:
        return "Neither part number is known."
    return (
        "The offered part's number is not known."
        if not offered
        else ("The number of the job's own part is not known.")
    )


def model(level: str, ours: Machine, theirs: Machine) -> str:
    sentence = {
        "unknown": "The two models cannot be compared; one is not known well enough.",
        "same": f"Same model: {ours.make} {ours.number}.",
        "immaterial": "The models differ only in what does not matter for this kind "
        f"({_differences(ours, theirs) or 'nothing that counts'}).",
        "same-revision": f"Same family and revision; {_differences(ours, theirs)} differs.",
        "same-family": f"Same family ({ours.family or theirs.family}); revision not compared.",
        "other-revision": f"Same family ({ours.family or theirs.family}), other revision: "
        f"{ours.revision or 'unknown'} and {theirs.revision or 'unknown'}.",
        "alike": f"The model numbers read alike: {ours.number} and {theirs.number}.",
        "same-beginning": f"The model numbers begin alike: {ours.number} and {theirs.number}.",
        "unlike": f"The model numbers have little in common: {ours.number} and {theirs.number}.",
        "other-family": f"Other family: {ours.family or ours.number} and "
        f"{theirs.family or theirs.number}.",
        "unsure-other-family": "Perhaps another family, as far as the numbers can be read: "
        f"{ours.family or ours.number} and {theirs.family or theirs.number}.",
        "other-make": f"Other make: {ours.make} and {theirs.make}.",
        "other-appliance": "From another kind of appliance.",
    }[level]
    unsure = [m.ref or "one" for m in (ours, theirs) if m.sure < 1.0 and m.number]
    if unsure and level != "unknown":
        sentence += f" The model of {' and '.join(unsure)} is not confirmed."
    return sentence


def _differences(a: Machine, b: Machine) -> str:
    names = sorted(
        name for name in {*a.fields, *b.fields} if a.fields.get(name, "") != b.fields.get(name, "")
    )
    return ", ".join(names)


def build(level: str, ours: Interval | None, theirs: Interval | None) -> str:
    if level == "unknown":
        missing = (
            "either machine" if ours is theirs else ("the donor" if ours is None else "the job")
        )
        return f"The build date of {missing} is not known."
    return {
        "no-break": "No known change lies between the two build dates.",
        "near": "Built at about the same time; no known change between.",
        "apart": f"Built {_years(ours, theirs)} apart; no known change between.",
        "far-apart": f"Built {_years(ours, theirs)} apart; a change between is likely.",
    }[level]


def across_break(known: KnownBreak, offered: str, show: Callable[[str], str] = str) -> str:
    """Say which side of a known change the part is from, and what newer builds carry."""
    older, newer = (" or ".join(map(show, numbers)) for numbers in (known.before, known.after))
    whose = (
        "the donor is older and the job newer"
        if offered == "before"
        else ("the donor is newer and the job older")
    )
    return (
        f"Across a known change in {known.scope} ({known.changed}), {whose}: "
        f"newer builds carry {newer}, older ones {older}."
    )


def _years(a: Interval | None, b: Interval | None) -> str:
    years = a.gap_years(b) if a and b else 0.0
    return f"{years * 12:.0f} months" if years < 2 else f"{years:.1f} years"


def stop(found: AttributeFinding) -> str:
    return (
        f"Conflict in {_plain(found.name)}: the part has {found.offered}, "
        f"the job needs {found.wanted}. It must not be fitted."
    )


def attributes(found: Sequence[AttributeFinding]) -> str:
    if not found:
        return "No attribute is known on both sides."
    conflicts = [one for one in found if one.level == "conflict"]
    if conflicts:
        listed = "; ".join(
            f"{_plain(one.name)} {one.offered} against {one.wanted}" for one in conflicts
        )
        return f"Conflict: {listed}."
    return f"Agrees in {', '.join(_plain(one.name) for one in found)}."


def noted(found: Sequence[Guess]) -> str:
    """Say what was noted of such parts where one of these two was not measured."""
    if not found:
        return "Nothing noted of such parts elsewhere tells these two apart."
    differ = [one for one in found if one.level == "conflict"]
    said = "; ".join(
        f"{_plain(one.name)} {one.offered} against {one.wanted}" for one in differ or found
    )
    if differ:
        return f"By what was noted of such parts, they differ: {said}. Measure both."
    return f"By what was noted of such parts, they agree: {said}."


def _plain(name: str) -> str:
    return name.replace("_", " ")


def sightings(
    ours: Belief, theirs: Belief, hits: float, tries: float, show: Callable[[str], str] = str
) -> str:
    """Say what sightings add. `show` gives a canonical number as it is printed."""
    chance = f"{100 * hits / tries:.0f} % of what was seen agrees"
    if ours.nearest == "printed":
        return (
            f"{show(ours.likeliest())} among the numbers seen in such machines as the job's: "
            f"{chance} (weight {theirs.total:.1f})."
        )
    if theirs.nearest == "printed":
        return (
            f"{show(theirs.likeliest())} among the numbers seen in such machines as the donor: "
            f"{chance} (weight {ours.total:.1f})."
        )
    return (
        f"Numbers seen in machines like the donor ({show(ours.likeliest())} most) and like the job "
        f"({show(theirs.likeliest())} most): {chance} (weight {tries:.1f})."
    )


def outcomes(counts: Counts) -> str:
    what = {
        "numbers": "this number for that number",
        "number-in-family": "this number in such a machine",
        "families": "a part from such a machine in such a machine",
    }[counts.basis]
    return f"Past fittings of {what}: {counts.plain_fits} of {counts.plain_tries} fitted."


def places(found: Sequence[int] | None, bits: float) -> str:
    """Say where the model numbers differ and which way past fittings take that."""
    if found is None:
        return "The model numbers cannot be laid beside one another place by place."
    if not found:
        return "The model numbers agree at every place."
    named = ", ".join("length" if at == 0 else str(at) for at in found)
    if abs(bits) < 0.05:
        return f"The model numbers differ at {named}; past fittings say nothing of that."
    way = "for" if bits > 0 else "against"
    return f"The model numbers differ at {named}; past fittings take that as speaking {way} a fit."


def one_type(chance: float) -> str:
    """Say how likely both are of one type, by all past fittings."""
    return (
        "By what fitted what, and what was noted of such parts, both are of one type "
        f"with a chance of {100 * chance:.0f} %."
    )


def calibration(bits: float) -> str:
    """Say which way past fittings correct the sum of the rows above."""
    if abs(bits) < 0.05:
        return "Past fittings bear out the sum of what stands above."
    way = "more" if bits > 0 else "less"
    return f"By past fittings, what stands above speaks {way} for a fit than its plain sum says."


def rule(found: ApprovedRule) -> str:
    return f"Approved rule {found.id}: {_said(found)}."


def rule_perhaps(cover: Cover) -> str:
    """Say that a rule may cover the pair, and that reading the build date would settle it."""
    if cover.share is None:
        why = "goes by build date, which is not known"
    else:
        why = f"covers {100 * cover.share:.0f} % of the time it may have been built in"
    return (
        f"Approved rule {cover.rule.id} {why}. Read the build date; "
        f"if the rule covers it: {_said(cover.rule)}."
    )


def _said(found: ApprovedRule) -> str:
    return {
        "fits": "fits",
        "fits-with-conditions": f"fits with conditions: {found.conditions}",
        "does-not-fit": "does not fit",
    }[found.says]
