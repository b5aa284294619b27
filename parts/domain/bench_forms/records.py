"""Verdicts as plain values that can be stored, and back: a grade is worked out from them later."""

from collections.abc import Mapping
from typing import Any

from parts.domain.bench.limits import Limit, Standing
from parts.domain.bench.verdicts import OPEN, Open, Outcome, Verdict

_BOUNDS = ("low", "high", "doubtful_low", "doubtful_high")
STATED = "stated"


def as_record(verdict: Verdict, *, slug: str = STATED, stage: str = "") -> dict[str, Any]:
    """Return a verdict as JSON values: reading, limit, what that is worth, source, sentence."""
    limit, measured = verdict.limit, verdict.measured
    judged = limit.standing is Standing.JUDGEMENT
    return {
        "slug": slug,
        "stage": stage,
        "test": verdict.test,
        "outcome": verdict.outcome.value,
        "measured": "open" if isinstance(measured, Open) else measured,
        "unit": verdict.unit,
        "limit": "" if judged else str(limit),
        **{name: getattr(limit, name) for name in _BOUNDS},
        "strict": limit.strict,
        "standing": limit.standing.value,
        "standing_words": limit.standing.words,
        "plausible_only": verdict.plausible_only,
        "source": limit.source,
        "sentence": verdict.sentence,
    }


def from_record(row: Mapping[str, Any]) -> Verdict:
    """Return the verdict a record states."""
    bounds = {name: row[name] for name in _BOUNDS}
    standing = Standing(row["standing"])
    limit = Limit(
        slug=row["slug"],
        unit=row["unit"],
        standing=standing,
        source=row["source"],
        strict=row["strict"],
        **bounds,
    )
    measured = OPEN if row["measured"] == "open" else row["measured"]
    outcome = Outcome(row["outcome"])
    return Verdict(row["test"], outcome, measured, row["unit"], limit, row["sentence"])


def stated(what: str, outcome: Outcome, *, said: str = "") -> Verdict:
    """Return the verdict a person states of a test no form foresees: no limit was used."""
    source = "stated by the person who tested it, held against no limit"
    limit = Limit(STATED, "", None, None, None, None, Standing.JUDGEMENT, source)
    words = outcome.value.replace("-", " ")
    sentence = f"{what[:1].upper()}{what[1:]}: {words}{said and f', {said}'} ({source})."
    return Verdict(what, outcome, None, "", limit, sentence)
