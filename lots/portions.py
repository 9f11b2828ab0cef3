"""How a portion of a lot divides: every metal in proportion, every microgram placed.

A lot is taken to be of even composition unless its sampling says otherwise (common practice for
granules, melts and solutions, no source).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from config.refusals import RefusalError, refuse
from lots.units import proportion_ug, share_ug, ug_to_g


@dataclass(frozen=True)
class Portion:
    """What a portion takes along: micrograms by metal, own mass and volume."""

    metals: dict[str, int]
    mass_ug: int
    volume_ul: int


def portion_by_mass(
    metals: Mapping[str, int], mass_ug: int, volume_ul: int, take_ug: int, *, field: str
) -> Portion:
    """`take_ug` out of a lot of `mass_ug`; the whole mass takes every last microgram.

    Raises ConflictError `more_than_there_is` naming `field`.
    """
    if take_ug > mass_ug:
        raise _more(field, f"{ug_to_g(take_ug)} g", f"{ug_to_g(mass_ug)} g")
    return _portion(metals, mass_ug, volume_ul, take_ug, mass_ug)


def portion_by_volume(
    metals: Mapping[str, int], mass_ug: int, volume_ul: int, take_ul: int, *, field: str
) -> Portion:
    """`take_ul` microlitres out of a solution of `volume_ul`.

    Raises ConflictError `more_than_there_is` naming `field`.
    """
    if take_ul > volume_ul:
        raise _more(field, f"{take_ul / 1000:g} ml", f"{volume_ul / 1000:g} ml")
    return _portion(metals, mass_ug, volume_ul, take_ul, volume_ul)


def divide(
    metals: Mapping[str, int], mass_ug: int, volume_ul: int, weights: Sequence[int]
) -> list[Portion]:
    """The whole lot divided in proportion to `weights` (>= 0, not all zero), to the microgram."""
    shares = {metal: share_ug(held, list(weights)) for metal, held in metals.items()}
    masses = share_ug(mass_ug, list(weights))
    volumes = share_ug(volume_ul, list(weights))
    return [
        Portion(
            metals={metal: parts[index] for metal, parts in shares.items() if parts[index]},
            mass_ug=masses[index],
            volume_ul=volumes[index],
        )
        for index in range(len(weights))
    ]


def _portion(
    metals: Mapping[str, int], mass_ug: int, volume_ul: int, part: int, whole: int
) -> Portion:
    return Portion(
        metals={
            metal: taken
            for metal, held in metals.items()
            if (taken := proportion_ug(held, part, whole))
        },
        mass_ug=proportion_ug(mass_ug, part, whole),
        volume_ul=proportion_ug(volume_ul, part, whole),
    )


def _more(field: str, asked: str, held: str) -> RefusalError:
    return refuse("more_than_there_is", field=field, value=asked, held=held)
