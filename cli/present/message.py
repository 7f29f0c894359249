"""An answer as a short text to send back: what it is, how sure, what photo is still needed."""

from plugface.cli.present.screen import percent
from plugface.cli.present.terminal import CLOSING, fit_line, headline, sure_words, variant_line
from plugface.models.catalogue.entries import Catalogue
from plugface.models.decision.answers import Decision
from plugface.models.decision.placement import standing

#: Families named where several remain.
MAX_NAMED = 3


def message_text(decision: Decision, catalogue: Catalogue) -> str:
    """The answer in a few lines of plain text.

    Parameters
    ----------
    decision : Decision
    catalogue : Catalogue
        The one it was made with.

    Returns
    -------
    message : str
        Cautions first; every line a sentence or two; without any line where there is nothing to say.
    """
    lines = [f"Caution: {c.message}" for c in decision.cautions if c.name not in CLOSING]
    if standing(decision, catalogue) == "hazard":
        lines.append("Not for swaps.")
    lines.append(_what_it_is(decision, catalogue))
    if decision.verdict == "identified" and len(decision.variants) != 1 and decision.variant_message:
        lines.append(variant_line(decision))
    if decision.fit is not None:
        lines.append(fit_line(decision.fit))
    lines += [f"Look at this: {finding.message}" for finding in decision.findings]
    if decision.next_photo is not None:
        lines.append(f"Photo still needed: {decision.next_photo.view}. {decision.next_photo.message}")
    if decision.verdict == "identified":
        lines.append("By photos alone: confirm it by the service number before fitting.")
    if catalogue.head.invented:
        lines.append("Invented demo catalogue: no real product is meant.")
    return "\n".join(lines)


def _what_it_is(decision: Decision, catalogue: Catalogue) -> str:
    if decision.verdict == "identified":
        sure = decision.probability
        words = f"{headline(decision, catalogue)}: {sure_words(sure)} ({percent(sure)})."
        told = decision.candidates[0].variants
        if len(decision.variants) == 1 and len(catalogue.by_key[decision.families[0]].variants) > 1 and told:
            words += f" The variant given the family: {percent(told[0].probability)}."
        return words
    if decision.closed:
        return decision.message
    if decision.verdict == "ambiguous" and decision.families:
        shares = {c.family: c.probability for c in decision.candidates}
        named = [f"{key} ({percent(shares.get(key, 0.0))})" for key in decision.families[:MAX_NAMED]]
        more = len(decision.families) - len(named)
        listed = " or ".join(named) + (f" or {more} more" if more else "")
        rest = decision.unknown_probability
        none = f", or in no family of the catalogue ({percent(rest)})" if rest >= 0.01 else ""
        return f"Not sure yet: {listed}{none}."
    if decision.verdict == "not_in_catalogue":
        return f"{decision.message} Sure of that: {percent(decision.unknown_probability)}."
    return decision.message
