"""The net as it is learned, in PyTorch: the product's `fairtake.sound.ear.net` with a gradient.

An input layer, then residual layers that see the frames t - d, t and t + d for growing d, then one
linear layer. What lies outside a take is zero in every layer, as at run time.

Conventions: a batch has the shape (stretches, frames, columns), float32. The shipped file has the keys
``mean``, ``scale``, ``dilations``, ``w_in``, ``b_in``, ``w_0``, ``b_0``, and so on, ``w_out``,
``b_out``; a layer's rows are those of the frame before, the frame itself and the frame behind.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import torch
from labels import CLASSES

DILATIONS, CHANNELS = (1, 2, 4, 8, 16, 32, 64), 48

Array = npt.NDArray[np.float32]


class Net(torch.nn.Module):
    """For features with this mean and this factor; weights are drawn from torch's own generator."""

    def __init__(self, mean: Array, scale: Array) -> None:
        super().__init__()
        self.mean, self.scale = torch.from_numpy(mean), torch.from_numpy(scale)
        self.first = _drawn(torch.nn.Linear(len(mean), CHANNELS), 1.0)
        self.dilated = torch.nn.ModuleList(
            _drawn(torch.nn.Conv1d(CHANNELS, CHANNELS, 3, padding=d, dilation=d), 0.5)
            for d in DILATIONS
        )
        self.last = _drawn(torch.nn.Linear(CHANNELS, len(CLASSES)), 0.5)

    def forward(self, features: torch.Tensor, inside: torch.Tensor) -> torch.Tensor:
        """The logarithms of the odds of each class; *inside*, (stretches, frames), is 1 in the take."""
        there = inside[:, None, :]
        values = torch.relu(self.first((features - self.mean) * self.scale)).transpose(1, 2) * there
        for layer in self.dilated:
            values = values + torch.relu(layer(values)) * there
        odds: torch.Tensor = self.last(values.transpose(1, 2))
        return odds

    def arrays(self) -> dict[str, npt.NDArray[np.generic]]:
        """All of it as the shipped file holds it: what was learned as float16."""
        found: dict[str, npt.NDArray[np.generic]] = {
            "mean": self.mean.numpy(),
            "scale": self.scale.numpy(),
            "dilations": np.array(DILATIONS),
        }
        named = [
            ("in", self.first),
            *((str(n), d) for n, d in enumerate(self.dilated)),
            ("out", self.last),
        ]
        for name, layer in named:
            weight = layer.weight.detach()
            rows = weight.T if weight.ndim == 2 else weight.permute(2, 1, 0).flatten(0, 1)
            found[f"w_{name}"] = rows.numpy().astype(np.float16)
            found[f"b_{name}"] = layer.bias.detach().numpy().astype(np.float16)
        return found


def _drawn(
    layer: torch.nn.Linear | torch.nn.Conv1d, gain: float
) -> torch.nn.Linear | torch.nn.Conv1d:
    """*layer* with random weights after He et al. 2015, times *gain*, and no bias."""
    torch.nn.init.normal_(layer.weight, std=gain * (2 / layer.weight[0].numel()) ** 0.5)
    torch.nn.init.zeros_(layer.bias)
    return layer
