"""The reader of raised characters: a small convolutional network with one answer per four pixels of width."""

from torch import Tensor, nn


def _block(c_in: int, c_out: int, kernel, stride=(1, 1), padding=None) -> nn.Sequential:
    padding = (kernel // 2, kernel // 2) if padding is None else padding
    return nn.Sequential(
        nn.Conv2d(c_in, c_out, kernel, stride, padding, bias=False),
        nn.BatchNorm2d(c_out),
        nn.ReLU(inplace=True),
    )


class _Along(nn.Module):
    """A residual step along the line: what stands left and right helps."""

    def __init__(self, channels: int, dilation: int) -> None:
        super().__init__()
        self.step = nn.Sequential(
            nn.Conv2d(channels, channels, (1, 5), 1, (0, 2 * dilation), dilation=(1, dilation), bias=False),
            nn.BatchNorm2d(channels),
            nn.ReLU(inplace=True),
        )

    def forward(self, x: Tensor) -> Tensor:
        return x + self.step(x)


class CastNetwork(nn.Module):
    """Strips to log probabilities, for connectionist temporal classification.

    Parameters
    ----------
    n_characters : int
        The answer has one more column: column 0 is "no character here".

    References
    ----------
    Graves et al., ICML (2006) 369-376 (the loss); Shi et al., IEEE PAMI 39 (2017) 2298-2304 (the layout;
    convolutions along the line take the place of its recurrent layers).
    """

    def __init__(self, n_characters: int) -> None:
        super().__init__()
        self.body = nn.Sequential(
            _block(1, 32, 5, (2, 2)),
            _block(32, 48, 3),
            _block(48, 80, 3, (2, 2)),
            _block(80, 80, 3),
            _block(80, 120, 3, (2, 1)),
            _block(120, 176, (4, 3), padding=(0, 1)),
            _Along(176, 1),
            _Along(176, 2),
            _Along(176, 4),
            _Along(176, 1),
        )
        self.head = nn.Conv2d(176, n_characters + 1, 1)

    def forward(self, strips: Tensor) -> Tensor:
        """(n, 1, 32, w), zero mean and unit deviation, to log probabilities (n, w / 4, 1 + n_characters)."""
        return self.head(self.body(strips)).squeeze(2).transpose(1, 2).log_softmax(2)
