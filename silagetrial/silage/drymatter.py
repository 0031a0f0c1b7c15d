"""Dry matter lost in storage, by mass balance, with its error of measuring.

Units: masses kg, dry matter g per kg fresh. Arguments are numbers or arrays and broadcast against
each other; a missing value (NaN) gives a missing result.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from silagetrial.errors import UsageError
from silagetrial.silage.checked import Floats, as_floats, checked_dm

__all__ = ["dm_loss", "dm_loss_se"]


def dm_loss(
    m0: ArrayLike,
    d0: ArrayLike,
    m1: ArrayLike,
    d1: ArrayLike,
    *,
    p0: ArrayLike = 0.0,
    p1: ArrayLike = 0.0,
    cored_dm: ArrayLike = 0.0,
) -> Floats:
    """Return the dry matter lost between wrapping and opening, by mass balance.

    Parameters
    ----------
    m0, m1 : array_like
        Mass of the bale at wrapping and at opening, kg.
    d0, d1 : array_like
        Dry matter at baling and at opening on one basis, g/kg fresh.
    p0, p1 : array_like
        Binding and film on the bale when weighed, kg.
    cored_dm : array_like
        Dry matter taken out by earlier cores, kg; it was not lost and is added back.

    Returns
    -------
    numpy.ndarray
        Share of the dry matter ensiled that was lost; times 100 it is percentage points. A
        slightly negative loss is noise of measuring: it is kept, never clipped.

    Raises
    ------
    UsageError
        For masses not above the binding and film on the bale, a dry matter outside 0 to 1000 g/kg,
        or cores below zero.

    Notes
    -----
    S0 = (M0 - p0) D0 / 1000, S1 = (M1 - p1) D1 / 1000 + cores, L = 1 - S1/S0.
    """
    ensiled = _dm_mass(m0, d0, p0, "m0")
    recovered = _dm_mass(m1, d1, p1, "m1") + _cores(cored_dm)
    return np.asarray(1.0 - recovered / ensiled, dtype=np.float64)


def dm_loss_se(
    m0: ArrayLike,
    d0: ArrayLike,
    m1: ArrayLike,
    d1: ArrayLike,
    *,
    p0: ArrayLike = 0.0,
    p1: ArrayLike = 0.0,
    cored_dm: ArrayLike = 0.0,
    sd_m0: ArrayLike = 0.0,
    sd_d0: ArrayLike = 0.0,
    sd_m1: ArrayLike = 0.0,
    sd_d1: ArrayLike = 0.0,
) -> Floats:
    """Return the standard error of one bale's DM loss from errors of measuring.

    Parameters
    ----------
    m0, d0, m1, d1, p0, p1, cored_dm : array_like
        As for `dm_loss`.
    sd_m0, sd_m1 : array_like
        Standard deviation of one weighing, kg.
    sd_d0, sd_d1 : array_like
        Standard deviation of one dry-matter result, g/kg fresh.

    Returns
    -------
    numpy.ndarray
        Standard error of the loss as a share.

    Raises
    ------
    UsageError
        As for `dm_loss`, and for a standard deviation below zero.

    Notes
    -----
    First-order propagation of four independent errors, m = M - p, R = m1 D1 / 1000 the dry matter
    in the bale at opening (earlier cores are taken as known)::

        se(L) = sqrt( (S1/S0)^2 [ (sM0/m0)^2 + (sD0/D0)^2 ]
                      + (R/S0)^2 [ (sM1/m1)^2 + (sD1/D1)^2 ] )

    Without cores R = S1 and this is (1-L) times the root of the four squared relative errors.

    This is the error of measuring one bale. The spread between bales already contains it: a
    standard error of a mean over bales must not add it again. Errors that bales share (one day-0
    sample, one scale) are not in that spread.
    """
    sds = {"sd_m0": sd_m0, "sd_d0": sd_d0, "sd_m1": sd_m1, "sd_d1": sd_d1}
    for name, sd in sds.items():
        if np.any(as_floats(sd) < 0):
            raise UsageError(
                found=f"{name} of {np.nanmin(as_floats(sd)):g}",
                expected="a standard deviation from 0",
                remedy="correct the value",
            )
    ensiled = _dm_mass(m0, d0, p0, "m0")
    in_bale = _dm_mass(m1, d1, p1, "m1")
    recovered = in_bale + _cores(cored_dm)
    at_wrapping = _squared_relative(sd_m0, as_floats(m0) - as_floats(p0)) + _squared_relative(
        sd_d0, d0
    )
    at_opening = _squared_relative(sd_m1, as_floats(m1) - as_floats(p1)) + _squared_relative(
        sd_d1, d1
    )
    variance = (recovered**2 * at_wrapping + in_bale**2 * at_opening) / ensiled**2
    return np.asarray(np.sqrt(variance), dtype=np.float64)


def _squared_relative(sd: ArrayLike, value: ArrayLike) -> Floats:
    return np.asarray((as_floats(sd) / as_floats(value)) ** 2, dtype=np.float64)


def _dm_mass(mass: ArrayLike, dm: ArrayLike, packing: ArrayLike, name: str) -> Floats:
    """Return the dry matter of the forage, kg: the bale without its binding and film."""
    forage = as_floats(mass) - as_floats(packing)
    if np.any(forage <= 0) or np.any(as_floats(packing) < 0):
        raise UsageError(
            found=f"{name} from {np.nanmin(as_floats(mass)):g} kg with up to "
            f"{np.nanmax(as_floats(packing)):g} kg of binding and film",
            expected="a mass in kg above that of the binding and film on the bale",
            remedy="correct the mass, or the binding and film",
        )
    return np.asarray(forage * checked_dm(dm) / 1000.0, dtype=np.float64)


def _cores(cored_dm: ArrayLike) -> Floats:
    cores = as_floats(cored_dm)
    if np.any(cores < 0):
        raise UsageError(
            found=f"cored_dm of {np.nanmin(cores):g} kg",
            expected="the dry matter of earlier cores, from 0 kg",
            remedy="correct the value",
        )
    return cores
