"""A decision as the ledger keeps it: the columns of a proposal that follow from it and from its place."""

from plugface.codec import write_decision
from plugface.models.decision import placement
from plugface.models.decision.answers import Decision


def proposal_columns(
    decision: Decision, place: placement.Place, findings: tuple[str, ...] = ()
) -> dict[str, object]:
    """Values of a row of the ledger's `Proposal`, without those that say which unit it is and what was asked.

    Parameters
    ----------
    decision : Decision
    place : placement.Place
        Where the unit goes.
    findings : tuple of str
        Of the lot, before those of the decision.
    """
    told = decision.verdict == "identified"
    return {
        "model_version": decision.model_version,
        "verdict": decision.verdict,
        "family": decision.families[0] if told and decision.families else "",
        "variant": decision.variants[0] if told and len(decision.variants) == 1 else "",
        "probability": decision.probability,
        "destination": place.destination,
        "bin": place.bin,
        "expected_cost": placement.expected_cost(decision),
        "message": place.message,
        "findings": " ".join([*findings, *(finding.message for finding in decision.findings)]),
        "decision": write_decision(decision),
    }
