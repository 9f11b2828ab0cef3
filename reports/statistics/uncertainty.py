"""How sure is a figure, and which other figures share its errors?

Standard uncertainties after the GUM (JCGM 100:2008, 4.3 type B, 5.1 and 5.2 propagation, G.4
effective degrees of freedom). A figure is a value and its sensitivities to independent, named error
sources, so that figures which share a balance or an assay come out correlated by themselves.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_array, csr_array, diags_array
from scipy.stats import norm, t

Floats = NDArray[np.float64]

PER_MILLE: Final = 1_000.0
NO_SOURCES: Final[Mapping[str, float]] = MappingProxyType({})


def rectangular(half_width: float) -> float:
    """u of a value that lies anywhere within +-half_width alike (GUM 4.3.7)."""
    return half_width / math.sqrt(3)


def triangular(half_width: float) -> float:
    """u of a value that lies within +-half_width, the middle more likely (GUM 4.3.9)."""
    return half_width / math.sqrt(6)


@dataclass(frozen=True, slots=True)
class Figure:
    """A value and, per independent error source, its sensitivity times that source's u.

    `dof` holds the degrees of freedom of sources whose u rests on few observations; a source not
    named there counts as exactly known. Units are the caller's, one for value and contributions.
    """

    value: float
    contributions: Mapping[str, float] = field(default_factory=lambda: NO_SOURCES)
    dof: Mapping[str, float] = field(default_factory=lambda: NO_SOURCES)

    @property
    def u(self) -> float:
        """The combined standard uncertainty."""
        return math.sqrt(sum(part * part for part in self.contributions.values()))

    @property
    def effective_dof(self) -> float:
        """Welch-Satterthwaite degrees of freedom (GUM G.4.1); infinite when none is given."""
        small = sum(
            (self.contributions.get(source, 0.0) ** 4) / dof for source, dof in self.dof.items()
        )
        return self.u**4 / small if small else math.inf

    def covariance(self, other: Figure) -> float:
        """From the error sources both figures share."""
        return sum(
            part * other.contributions.get(source, 0.0)
            for source, part in self.contributions.items()
        )


@dataclass(frozen=True)
class Expanded:
    """An interval value +- `half_width` = `coverage_factor` x u at the stated probability."""

    half_width: float
    coverage_factor: float
    probability: float
    dof: float


def expanded(figure: Figure, probability: float = 0.95) -> Expanded:
    """Expanded uncertainty (GUM 6.2, G.6.4): normal, or Student's t when dof are finite."""
    dof = figure.effective_dof
    tail = (1 - probability) / 2
    # GUM G.4.1 note 1: degrees of freedom that are not whole are cut to the next lower integer.
    factor = float(norm.isf(tail) if math.isinf(dof) else t.isf(tail, max(1, math.floor(dof))))
    return Expanded(factor * figure.u, factor, probability, dof)


def exact(value: float) -> Figure:
    """A figure without error: a count, a defined conversion."""
    return Figure(value)


def measured(value: float, u: float, source: str, *, dof: float | None = None) -> Figure:
    """A figure with one error source of its own."""
    return Figure(value, {source: u}, NO_SOURCES if dof is None else {source: dof})


def linear(figures: Sequence[Figure], coefficients: Sequence[float]) -> Figure:
    """The sum of coefficient x figure; shared sources add before they are squared."""
    total: dict[str, float] = {}
    value = 0.0
    dof = NO_SOURCES
    for figure, coefficient in zip(figures, coefficients, strict=True):
        value += coefficient * figure.value
        if figure.dof:
            dof = {**dof, **figure.dof}
        if total:
            for source, part in figure.contributions.items():
                total[source] = total.get(source, 0.0) + coefficient * part
        else:
            total = {source: coefficient * part for source, part in figure.contributions.items()}
    return Figure(value, total, dof)


def product(first: Figure, second: Figure) -> Figure:
    """First order (GUM 5.1.2): fine metal = mass x fineness, mass of metal = volume x strength."""
    whole = linear([first, second], [second.value, first.value])
    return Figure(first.value * second.value, whole.contributions, whole.dof)


def quotient(first: Figure, second: Figure) -> Figure:
    """First order; raises ZeroDivisionError when `second` is zero."""
    ratio = first.value / second.value
    whole = linear([first, second], [1 / second.value, -ratio / second.value])
    return Figure(ratio, whole.contributions, whole.dof)


def scaled(figure: Figure, factor: float) -> Figure:
    """The figure in another unit."""
    return linear([figure], [factor])


@dataclass(frozen=True)
class Balance:
    """A balance as its certificate and its check log describe it; all masses in micrograms.

    `readability_ug` is the last digit's step, `linearity_ug` the half-width of the error of a
    single reading, `repeatability_ug` a standard deviation of `repeatability_dof` degrees of
    freedom, `calibration_share` the relative standard uncertainty of the span, the same error in
    every weighing until the next calibration.
    """

    name: str
    readability_ug: float
    repeatability_ug: float
    linearity_ug: float = 0.0
    calibration_share: float = 0.0
    repeatability_dof: float | None = None


def reading(balance: Balance, mass_ug: float, weighing: str) -> Figure:
    """One reading: rounding (rectangular, half a step), repeatability, linearity, calibration."""
    own = f"{weighing}: repeatability"
    parts = {
        f"{weighing}: readability": rectangular(balance.readability_ug / 2),
        own: balance.repeatability_ug,
        f"{weighing}: linearity": rectangular(balance.linearity_ug),
        f"balance {balance.name}: calibration": mass_ug * balance.calibration_share,
    }
    dof = balance.repeatability_dof
    return Figure(
        mass_ug,
        {source: part for source, part in parts.items() if part},
        NO_SOURCES if dof is None else {own: dof},
    )


def net_weighing(balance: Balance, gross_ug: float, tare_ug: float, weighing: str) -> Figure:
    """Gross less tare on one balance, micrograms.

    Readability, repeatability and linearity count twice; the calibration error is common, so only
    the net is exposed to it (EURACHEM/CITAC QUAM, weighing by difference).
    """
    gross = reading(balance, gross_ug, f"{weighing}, gross")
    tare = reading(balance, tare_ug, f"{weighing}, tare")
    return linear([gross, tare], [1, -1])


@dataclass(frozen=True)
class Vessel:
    """A measuring vessel; volumes in millilitres, temperature in kelvin.

    `tolerance_ml` is the maker's half-width (triangular), the same error each time this vessel is
    used; `filling_ml` a standard deviation; `temperature_k` the half-width of the deviation from
    the calibration temperature (rectangular); `expansion_per_k` that of the liquid (water 2.1e-4).
    """

    name: str
    tolerance_ml: float
    filling_ml: float = 0.0
    temperature_k: float = 0.0
    expansion_per_k: float = 2.1e-4


def volume(vessel: Vessel, volume_ml: float, filling: str) -> Figure:
    """A volume in millilitres (EURACHEM/CITAC QUAM, example A1: three effects of a flask)."""
    parts = {
        f"vessel {vessel.name}: calibration": triangular(vessel.tolerance_ml),
        f"{filling}: filling": vessel.filling_ml,
        f"{filling}: temperature": rectangular(
            volume_ml * vessel.temperature_k * vessel.expansion_per_k
        ),
    }
    return Figure(volume_ml, {source: part for source, part in parts.items() if part})


def assay(
    value: float,
    determination: str,
    laboratory: str,
    *,
    repeatability: float,
    determinations: int = 1,
    laboratory_bias: float = 0.0,
    sampling: float = 0.0,
    sample: str = "",
) -> Figure:
    """A fineness (parts per thousand) or a concentration, with u's in the same unit.

    Repeatability is averaged over the determinations; the laboratory's bias is the same in every
    assay it makes; the sampling error is the same in every assay of one `sample`.
    """
    own = f"assay {determination}: repeatability"
    parts = {
        own: repeatability / math.sqrt(determinations),
        f"laboratory {laboratory}: bias": laboratory_bias,
        f"sample {sample or determination}: sampling": sampling,
    }
    dof = {own: float(determinations - 1)} if determinations > 1 else NO_SOURCES
    return Figure(value, {source: part for source, part in parts.items() if part}, dof)


def charge(ampere_hours: float, meter: str, run: str, *, gain_share: float, drift: float) -> Figure:
    """A charge in ampere-hours: the meter's gain error is common, its drift the run's own."""
    parts = {f"meter {meter}: gain": ampere_hours * gain_share, f"run {run}: drift": drift}
    return Figure(ampere_hours, {source: part for source, part in parts.items() if part})


def fine_mass(mass: Figure, fineness: Figure) -> Figure:
    """Fine metal in the mass's unit from a fineness in parts per thousand."""
    return scaled(product(mass, fineness), 1 / PER_MILLE)


@dataclass(frozen=True)
class FigureSet:
    """Many figures at once: `values`, and a sparse factor with one column per named source.

    The covariance matrix is factor factor^T and is formed only when asked for.
    """

    values: Floats
    factor: csr_array
    sources: tuple[str, ...]

    @property
    def u(self) -> Floats:
        """Standard uncertainties, vectorised."""
        return np.asarray(np.sqrt(self.factor.power(2).sum(axis=1)), dtype=float).ravel()

    def covariance(self) -> csr_array:
        """The whole covariance matrix, sparse."""
        return csr_array(self.factor @ self.factor.T)

    def combine(self, matrix: csr_array) -> FigureSet:
        """`matrix` times the figures: totals, differences, any linear report line."""
        return FigureSet(
            np.asarray(matrix @ self.values), csr_array(matrix @ self.factor), self.sources
        )

    def times(self, other: FigureSet) -> FigureSet:
        """Figure by figure product, first order; both sets must list the same sources.

        Raises ValueError when they do not, which is our own mistake.
        """
        if self.sources != other.sources:
            raise ValueError("the two sets list different error sources")
        factor = diags_array(other.values) @ self.factor + diags_array(self.values) @ other.factor
        return FigureSet(self.values * other.values, csr_array(factor), self.sources)


def gather(*groups: Sequence[Figure]) -> tuple[FigureSet, ...]:
    """One FigureSet per group over the same list of sources, so that they can be combined."""
    number: dict[str, int] = {}
    for group in groups:
        for figure in group:
            for source in figure.contributions:
                number.setdefault(source, len(number))
    return tuple(_gathered(group, number) for group in groups)


def _gathered(group: Sequence[Figure], number: Mapping[str, int]) -> FigureSet:
    row = [i for i, figure in enumerate(group) for _ in figure.contributions]
    column = [number[source] for figure in group for source in figure.contributions]
    entry = np.array([part for figure in group for part in figure.contributions.values()])
    shape = (len(group), len(number))
    spots = (np.array(row, dtype=np.int64), np.array(column, dtype=np.int64))
    return FigureSet(
        values=np.array([figure.value for figure in group], dtype=float),
        factor=csr_array(coo_array((entry.astype(float), spots), shape=shape)),
        sources=tuple(number),
    )
