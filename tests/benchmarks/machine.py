"""How far the simulation is from what the machine could do: operations at measured peaks."""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping

import numpy as np

__all__ = ["against_the_machine"]

STACK, SIZE, LARGE = 128, 12, 768
"""Matrices of the model: as many as trials in a chunk, as wide as there are fixed effects."""


def best_rate(call: Callable[[], object], operations: float) -> float:
    """Operations a second of the fastest of many runs."""
    times = []
    for _ in range(60):
        start = time.perf_counter()
        call()
        times.append(time.perf_counter() - start)
    return operations / min(times)


def machine() -> dict[str, float]:
    """Measured peaks of one core, operations a second.

    Matrix product of 768 x 768; products of 12 x 12 matrices, as the model's are, in one call;
    multiplication of numbers that stay in the nearest cache.
    """
    rng = np.random.default_rng(1)
    large, small = rng.normal(size=(LARGE, LARGE)), rng.normal(size=(STACK, SIZE, SIZE))
    x, y = rng.normal(size=(2, 1024))
    room = np.empty_like(x)

    def multiply() -> None:
        for _ in range(1000):
            np.multiply(x, y, out=room)

    return {
        "dgemm": best_rate(lambda: large @ large, 2 * LARGE**3),
        "small products": best_rate(lambda: small @ small, 2 * STACK * SIZE**3),
        "multiply": best_rate(multiply, 1000 * x.size),
    }


def against_the_machine(
    counts: Mapping[str, Mapping[str, float]], processor: Mapping[str, float]
) -> None:
    """Print operations a trial, and the time they need at the measured peaks.

    Parameters
    ----------
    counts : mapping
        Operations a trial by kind of trial and of operation.
    processor : mapping
        Measured seconds of processor time a trial.
    """
    peak = machine()
    print("\nOne core's measured peaks, 1e9 operations a second: "
          + ", ".join(f"{name} {rate / 1e9:.1f}" for name, rate in peak.items()))  # fmt: skip
    for kind, count in counts.items():
        dense = count["products"] + count["factorisations"]
        all_of_it = dense + count["elementwise"]
        least = 1e6 * all_of_it / peak["dgemm"]
        as_shaped = 1e6 * (dense / peak["small products"] + count["elementwise"] / peak["multiply"])
        taken = 1e6 * processor[kind]
        print(
            f"{kind}: {all_of_it / 1000:.0f} thousand operations a trial ("
            + ", ".join(f"{count[k] / 1000:.0f} {k}" for k in
                        ("products", "factorisations", "elementwise"))
            + f"; beside them {count['deviates']:.0f} random deviates and {count['special']:.0f} "
            f"tail areas and quantiles)\n  at dgemm's peak {least:.1f} us, with products of 12 x 12"
            f" and single multiplications {as_shaped:.1f} us, measured {taken:.0f} us: "
            f"{100 * least / taken:.1f} % and {100 * as_shaped / taken:.0f} % of the limit"
        )  # fmt: skip
