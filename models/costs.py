"""What a mistake costs, and the thresholds that follow. The one place to change them.

One second look (another photo, or a person with the unit in hand) is the unit of cost. Taking the wrong unit
for the right one means a swap that does not run, or an airbag or high-voltage unit handled as a controller:
200 second looks. Sending away a unit that the catalogue does hold loses a sale: 20. The figures are our
judgement, not measured; a shop sets its own.
"""

from dataclasses import dataclass


@dataclass(frozen=True)
class Costs:
    """Costs in second looks."""

    wrong_accept: float = 200.0
    wrong_refusal: float = 20.0
    second_look: float = 1.0

    def __post_init__(self) -> None:
        if not 0 < self.second_look < min(self.wrong_accept, self.wrong_refusal):
            raise ValueError("a second look must cost more than nothing and less than either mistake")

    @property
    def accept_at(self) -> float:
        """Probability from which accepting costs less than a second look."""
        return 1.0 - self.second_look / self.wrong_accept

    @property
    def refuse_at(self) -> float:
        """Probability of 'none of these' from which saying so costs less than a second look."""
        return 1.0 - self.second_look / self.wrong_refusal

    def of_family(self, best: float, unlike: float) -> float:
        """Expected cost of the cheapest action: accept the best family, refuse, or look again."""
        return min(self.second_look, (1.0 - best) * self.wrong_accept, (1.0 - unlike) * self.wrong_refusal)

    def of_variant(self, best: float) -> float:
        """Expected cost of the cheapest action: accept the best variant, or look again."""
        return min(self.second_look, (1.0 - best) * self.wrong_accept)
