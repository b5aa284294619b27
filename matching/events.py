"""What the matching app announces through the outbox. Payloads hold ids, never rows."""

NEEDS_OPENED = "matching.needs-opened"  # {"need_ids": [int]}: new, or put right by a person
NEEDS_REMATCH = "matching.needs-rematch"  # {"need_ids": [int]}: knowledge changed
RULE_DECIDED = "matching.rule-decided"  # {"rule": id}: in force, or out of it
RULES_REVIEW = "matching.rules-review"  # {"kind": slug}: weigh its rules by the evidence anew
OUTCOMES_RECORDED = "matching.outcomes-recorded"  # {"kinds": [slug]}
BREAK_DECIDED = "matching.break-decided"  # {"kinds": [slug]}: in force, or out of it
WEIGHTS_CHANGED = "matching.weights-changed"  # {"kinds": [slug]}: other weights are in force
PAIRS_FOUND = "matching.pairs-found"  # {"pairs": [[need, part]], "tell": Tell's name}: left over
PAIRS_OVERLOOKED = "matching.pairs-overlooked"  # as PAIRS_FOUND: nobody was told (the sweep)
MACHINES_UNREAD = "matching.machines-unread"  # {"donor_ids" or "job_ids": [int]}: the same
OUTCOMES_UNREAD = "matching.outcomes-unread"  # {"outcome_ids": [int]}: a pattern changed
FAR_LEFT = (
    "matching.far-left"  # {"part_ids", "need_ids": [int], "tell"}: weak keys not looked up yet
)
HOLD_MADE = "matching.hold-made"  # {"hold": id}
HOLDS_ENDED = "matching.holds-ended"  # {"holds": [id]}: released or lapsed, the part is free
PAST_UNTAUGHT = "matching.past-untaught"  # {}: past jobs may teach what their faults were
SHARES_TOUCHED = "matching.shares-touched"  # {}: a hold, need or choice changed who gets what
SHARE_OUT = "matching.share-out"  # {}: work the allocation out anew
ALERTS_WRITTEN = "matching.alerts-written"  # {}: to be passed on by mail and webhook
