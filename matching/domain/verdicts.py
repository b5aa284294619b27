"""The five verdicts, in order. Each has a word and a shape; never colour alone."""

from enum import StrEnum


class Verdict(StrEnum):
    SAME_PART = "same-part"
    KNOWN_TO_FIT = "known-to-fit"
    LIKELY_FITS = "likely-fits"
    CHECK_FIRST = "check-first"
    DOES_NOT_FIT = "does-not-fit"

    @property
    def label(self) -> str:
        return self.value.replace("-", " ")

    @property
    def shape(self) -> str:
        """A sign that tells verdicts apart without colour."""
        return {"same-part": "●", "known-to-fit": "◆", "likely-fits": "▲"}.get(
            self.value, "◇" if self is Verdict.CHECK_FIRST else "✕"
        )

    @property
    def counts_as_fit(self) -> bool:
        return self in {Verdict.SAME_PART, Verdict.KNOWN_TO_FIT, Verdict.LIKELY_FITS}
