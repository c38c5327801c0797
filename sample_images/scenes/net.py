"""The net that draws the map of the cutting edge. Needs PyTorch; only training does."""

from __future__ import annotations

import torch
from torch import nn

CHANNELS = (12, 28, 56, 88, 120)  # at full size, a half, a quarter, an eighth, a sixteenth
OUTPUTS = 4  # edge (log odds), inward normal (columns, rows), tool (log odds)


def block(inputs: int, outputs: int, dilation: int = 1) -> nn.Sequential:
    """Convolution, normalisation, rectification."""
    return nn.Sequential(
        nn.Conv2d(inputs, outputs, 3, padding=dilation, dilation=dilation, bias=False),
        nn.BatchNorm2d(outputs),
        nn.ReLU(inplace=True),
    )


class EdgeNet(nn.Module):
    """U-shaped net (Ronneberger et al. 2015) of just under a million weights, its lowest level dilated."""

    def __init__(self) -> None:
        super().__init__()
        a, b, c, d, e = CHANNELS
        self.down = nn.ModuleList(
            [
                block(3, a),
                nn.Sequential(block(a, b), block(b, b)),
                nn.Sequential(block(b, c), block(c, c)),
                nn.Sequential(block(c, d), block(d, d)),
                nn.Sequential(block(d, e), block(e, e, 2), block(e, e, 4)),
            ]
        )
        self.rise = nn.ModuleList(
            [nn.ConvTranspose2d(k, j, 2, 2) for k, j in ((e, d), (d, c), (c, b), (b, a))]
        )
        self.up = nn.ModuleList(
            [
                block(2 * d, d),
                nn.Sequential(block(2 * c, c), block(c, c)),
                nn.Sequential(block(2 * b, b), block(b, b)),
                block(2 * a, a),
            ]
        )
        self.pool = nn.MaxPool2d(2)
        self.head = nn.Conv2d(a, OUTPUTS, 1)

    def forward(self, picture: torch.Tensor) -> torch.Tensor:
        """Map (N, 3, H, W), red green blue 0 to 1, H and W multiples of 16, to (N, 4, H, W)."""
        levels: list[torch.Tensor] = []
        x = picture
        for k, down in enumerate(self.down):
            x = down(x if k == 0 else self.pool(x))
            levels.append(x)
        for rise, up, beside in zip(self.rise, self.up, levels[-2::-1], strict=True):
            x = up(torch.cat([rise(x), beside], dim=1))
        return self.head(x)
