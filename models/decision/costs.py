"""What a mistake costs, and the thresholds that follow. The one place to change them.

One second look (another photo, or a person with the unit in hand) is the unit of cost. Taking the wrong
unit for the right one means a swap that does not run, or an airbag or high-voltage unit handled as a
controller: 200 second looks. Sending away a unit that the catalogue does hold loses a sale: 20. Handling
live high voltage or a charged airbag without knowing can maim: 2000. A caution that was not needed puts a
harmless unit aside until someone qualified has looked, which loses a sale too: 20; whoever is warned of
everything heeds no warning. The figures are our judgement, not measured; a shop sets its own.
"""

from dataclasses import dataclass

from plugface.vision.colour_table import COLOUR_CODES

#: Share of the plugs on this trade's benches that carry high voltage, and of those that fire an airbag or a
#: belt tensioner: one in a thousand each (assumed, no source).
HAZARDOUS_PLUGS = 0.001


@dataclass(frozen=True)
class Costs:
    """Costs in second looks."""

    wrong_accept: float = 200.0
    wrong_refusal: float = 20.0
    second_look: float = 1.0
    missed_hazard: float = 2000.0
    needless_caution: float = 20.0

    def __post_init__(self) -> None:
        if not 0 < self.second_look < min(self.wrong_accept, self.wrong_refusal):
            raise ValueError("a second look must cost more than nothing and less than either mistake")
        if not 0 < self.needless_caution < self.missed_hazard:
            raise ValueError("a needless caution must cost more than nothing and less than a missed hazard")

    @property
    def accept_at(self) -> float:
        """Probability from which accepting costs less than a second look."""
        return 1.0 - self.second_look / self.wrong_accept

    def accepts(self, probability: float, *, contradicted: bool = False) -> bool:
        """Whether to accept the best answer: the one rule, whoever asks.

        Parameters
        ----------
        probability : float
            Calibrated, of the best answer.
        contradicted : bool
            Whether what was seen contradicts itself; such views are never accepted.

        Returns
        -------
        accepted : bool
        """
        return bool(probability >= self.accept_at) and not contradicted

    def refuses(self, unknown: float, *, contradicted: bool = False) -> bool:
        """Whether to say 'none of these': the same of its probability.

        Parameters
        ----------
        unknown : float
            Calibrated probability of none of the catalogue's families.
        contradicted : bool
            Whether what was seen contradicts itself.

        Returns
        -------
        refused : bool
        """
        return bool(unknown >= self.refuse_at) and not contradicted

    @property
    def refuse_at(self) -> float:
        """Probability of 'none of these' from which saying so costs less than a second look."""
        return 1.0 - self.second_look / self.wrong_refusal

    @property
    def caution_at(self) -> float:
        """Probability of a hazard from which warning costs less than silence."""
        return self.needless_caution / (self.needless_caution + self.missed_hazard)

    def colour_caution_at(self, codes: int = len(COLOUR_CODES)) -> float:
        """Share of a plug's colour posterior, over so many codes, from which warning costs less than silence.

        The posterior takes all colours for equally common; hazardous plugs are not. By Bayes' rule the odds
        of a hazard are the colour's odds against an even posterior, times those of HAZARDOUS_PLUGS. So an
        even posterior (nothing was told) never warns, and a plug that is as likely orange as not always does.
        """
        even = 1.0 / (codes - 1)
        before = HAZARDOUS_PLUGS / (1.0 - HAZARDOUS_PLUGS)
        odds = even * self.needless_caution / (self.missed_hazard * before)
        return odds / (1.0 + odds)

    def of_family(self, best: float, unknown: float) -> float:
        """Expected cost of the cheapest action: accept the best family, refuse, or look again.

        Parameters
        ----------
        best : float
            Probability of the best family.
        unknown : float
            Probability of none of the catalogue's families.

        Returns
        -------
        cost : float, second looks
        """
        return min(self.second_look, (1.0 - best) * self.wrong_accept, (1.0 - unknown) * self.wrong_refusal)

    def of_variant(self, best: float) -> float:
        """Expected cost of the cheapest action: accept the best variant, or look again."""
        return min(self.second_look, (1.0 - best) * self.wrong_accept)
