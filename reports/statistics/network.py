"""Any network in, best estimates, tests and suspects out: plain dictionaries at both ends.

The payload names nodes, streams between them, measurements with their uncertainty, covariances,
and further linear constraints (a charge balance that couples two metals is one of them).
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_array, csr_array

from config.refusals import InvalidError
from reports.statistics.covariance import factor_from_covariance
from reports.statistics.observability import Standing
from reports.statistics.reconcile import Reconciliation, reconcile
from reports.statistics.suspects import Doubt, Suspect, find_suspects, plain_words

Floats = NDArray[np.float64]

STREAMS_MAX: Final = 20_000
NODES_MAX: Final = 20_000
CONSTRAINTS_MAX: Final = 2_000
NAME_MAX: Final = 200
SIZE_MAX: Final = 1e15
# A measurement less certain than this many times another cannot be weighed against it in doubles.
SPREAD_MAX: Final = 1e10
FIELDS: Final = frozenset(
    {
        "nodes", "streams", "measurements", "covariances", "constraints", "non_negative", "alpha",
        "unit", "advice",
    }
)  # fmt: skip


@dataclass
class _Network:
    """The payload checked and numbered."""

    nodes: dict[str, int]
    streams: dict[str, int] = field(default_factory=dict)
    balances: list[str] = field(default_factory=list)
    rows: list[int] = field(default_factory=list)
    columns: list[int] = field(default_factory=list)
    entries: list[float] = field(default_factory=list)
    target: list[float] = field(default_factory=list)

    def put(self, row: int, column: int, entry: float) -> None:
        self.rows.append(row)
        self.columns.append(column)
        self.entries.append(entry)

    @property
    def matrix(self) -> csr_array:
        shape = (len(self.balances), len(self.streams))
        spots = (np.array(self.rows, dtype=np.int64), np.array(self.columns, dtype=np.int64))
        matrix = csr_array(coo_array((np.array(self.entries, dtype=float), spots), shape=shape))
        matrix.eliminate_zeros()
        return matrix


def solve_network(payload: Mapping[str, Any], *, streams_max: int = STREAMS_MAX) -> dict[str, Any]:
    """Reconcile the network of `payload` and name what to doubt; the answer is ready for JSON.

    Payload: `nodes` (names), `streams` ({name, from, to}; null = outside the network),
    `measurements` ({stream, value, u or variance}), and if wanted `covariances` ({a, b,
    covariance}), `constraints` ({name, coefficients {stream: number}, value}), `non_negative`
    (false), `alpha` (0.05), `unit`, `advice`. All figures share one unit. A variance of 0 makes a
    figure exact.

    Raises InvalidError with the place in `field` (as "measurements[3].u"): `required`,
    `unknown_field`, `not_a_list`, `not_an_object`, `not_a_boolean`, `not_a_name`, `duplicate`,
    `unknown_node`, `unknown_stream`, `same_ends`, `not_a_number`, `out_of_range`, `too_large`,
    `negative_variance`, `uneven`, `not_measured`, `not_psd`, `nothing_measured`, `too_many`,
    `below_bound`, and `contradiction`, whose value counts balances (nodes first) or streams from 0.
    """
    unknown = sorted(set(map(str, payload)) - FIELDS)
    if unknown:
        raise _refused("This field is not known.", "unknown_field", unknown[0], unknown[0])
    network = _read_network(payload, streams_max)
    values, factor = _read_measurements(payload, network)
    alpha = _number(payload.get("alpha", 0.05), "alpha")
    if not 0 < alpha < 0.5:
        raise _refused("The level must lie between 0 and 0.5.", "out_of_range", "alpha", alpha)
    non_negative = payload.get("non_negative", False)
    if not isinstance(non_negative, bool):
        raise _refused("This must be true or false.", "not_a_boolean", "non_negative", non_negative)
    lower = np.zeros(len(values)) if non_negative else None
    result = reconcile(network.matrix, np.array(network.target), values, factor, lower=lower)
    doubt = find_suspects(result, alpha=alpha)
    return _answer(payload, network, result, doubt)


def _read_network(payload: Mapping[str, Any], streams_max: int) -> _Network:
    names = _list(payload, "nodes", NODES_MAX, required=True)
    network = _Network(nodes={})
    for place, name in enumerate(names):
        _add_name(network.nodes, name, f"nodes[{place}]")
        network.balances.append(name)
        network.target.append(0.0)
    streams = _list(payload, "streams", streams_max, required=True)
    if not streams:
        raise _refused("A network needs a stream.", "required", "streams", None)
    for place, stream in enumerate(streams):
        _read_stream(network, _mapping(stream, f"streams[{place}]"), f"streams[{place}]")
    for place, constraint in enumerate(_list(payload, "constraints", CONSTRAINTS_MAX)):
        where = f"constraints[{place}]"
        _read_constraint(network, _mapping(constraint, where), where)
    return network


def _read_stream(network: _Network, stream: Mapping[str, Any], where: str) -> None:
    column = _add_name(network.streams, stream.get("name"), f"{where}.name")
    ends = []
    for end, sign in (("from", -1.0), ("to", 1.0)):
        node = stream.get(end)
        ends.append(node)
        if node is None:
            continue
        if not isinstance(node, str) or node not in network.nodes:
            raise _refused("There is no such node.", "unknown_node", f"{where}.{end}", node)
        network.put(network.nodes[node], column, sign)
    if ends[0] == ends[1]:
        message = "A stream must lead from one place to another."
        raise _refused(message, "same_ends", f"{where}.to", ends[1])


def _read_constraint(network: _Network, constraint: Mapping[str, Any], where: str) -> None:
    row = len(network.balances)
    name = constraint.get("name", f"constraint {row - len(network.nodes) + 1}")
    network.balances.append(_name(name, f"{where}.name"))
    network.target.append(_number(constraint.get("value", 0), f"{where}.value"))
    coefficients = _mapping(constraint.get("coefficients"), f"{where}.coefficients")
    for stream, entry in coefficients.items():
        column = _stream(network, stream, f"{where}.coefficients")
        network.put(row, column, _number(entry, f"{where}.coefficients.{stream}"))


def _read_measurements(payload: Mapping[str, Any], network: _Network) -> tuple[Floats, csr_array]:
    count = len(network.streams)
    values, variance = np.full(count, np.nan), np.zeros(count)
    for place, given in enumerate(_list(payload, "measurements", count, required=True)):
        where = f"measurements[{place}]"
        entry = _mapping(given, where)
        column = _stream(network, entry.get("stream"), f"{where}.stream")
        if not np.isnan(values[column]):
            message = "This stream is measured twice; average the readings first."
            raise _refused(message, "duplicate", f"{where}.stream", entry.get("stream"))
        values[column] = _number(entry.get("value"), f"{where}.value")
        variance[column] = _variance(entry, where)
    if np.isnan(values).all():
        raise _refused("Nothing is measured.", "nothing_measured", "measurements", None)
    some = np.sqrt(variance[variance > 0])
    if len(some) and some.max() > SPREAD_MAX * some.min():
        message = "The uncertainties differ by more than a factor of 10^10."
        raise _refused(message, "uneven", "measurements", f"{some.min():g} to {some.max():g}")
    return values, _read_covariances(payload, network, values, variance)


def _variance(entry: Mapping[str, Any], where: str) -> float:
    if ("u" in entry) == ("variance" in entry):
        message = "Give either the standard uncertainty u or the variance."
        raise _refused(message, "required", f"{where}.u", None)
    key = "u" if "u" in entry else "variance"
    number = _number(entry[key], f"{where}.{key}")
    if number < 0:
        message = "A variance or an uncertainty cannot be below zero."
        raise _refused(message, "negative_variance", f"{where}.{key}", number)
    return number * number if key == "u" else number


def _read_covariances(
    payload: Mapping[str, Any], network: _Network, values: Floats, variance: Floats
) -> csr_array:
    count = len(values)
    pairs: dict[tuple[int, int], float] = {}
    for place, given in enumerate(_list(payload, "covariances", 50 * STREAMS_MAX)):
        where = f"covariances[{place}]"
        entry = _mapping(given, where)
        a = _stream(network, entry.get("a"), f"{where}.a")
        b = _stream(network, entry.get("b"), f"{where}.b")
        for end, stream in (("a", a), ("b", b)):
            if np.isnan(values[stream]):
                message = "A stream that is not measured has no covariance."
                raise _refused(message, "not_measured", f"{where}.{end}", entry[end])
        if a == b or (min(a, b), max(a, b)) in pairs:
            message = "Each pair of different streams is given once."
            raise _refused(message, "duplicate", where, entry.get("b"))
        number = _number(entry.get("covariance"), f"{where}.covariance")
        if abs(number) > math.sqrt(variance[a] * variance[b]) * (1 + 1e-9):
            message = "A covariance cannot exceed the product of the two standard uncertainties."
            raise _refused(message, "not_psd", f"{where}.covariance", number)
        pairs[min(a, b), max(a, b)] = number
    row = [*range(count), *(a for a, _ in pairs), *(b for _, b in pairs)]
    column = [*range(count), *(b for _, b in pairs), *(a for a, _ in pairs)]
    entries = np.concatenate([variance, 2 * list(pairs.values())])
    spots = (np.array(row), np.array(column))
    return factor_from_covariance(csr_array(coo_array((entries, spots), shape=(count, count))))


def _answer(
    payload: Mapping[str, Any], network: _Network, result: Reconciliation, doubt: Doubt
) -> dict[str, Any]:
    names = list(network.streams)
    tests = {test.index: test for test in doubt.measurement_tests}
    held = set(result.at_bound)
    figures = []
    for column, name in enumerate(names):
        test = tests.get(column)
        figures.append(
            {
                "stream": name,
                "measured": _plain(result.measured[column]),
                "u_before": _plain(result.sd_before[column]),
                "reconciled": _plain(result.reconciled[column]),
                "adjustment": _plain(result.adjustment[column]),
                "u_after": _plain(result.sd_after[column]),
                "standing": result.observability.standing[column].name.lower(),
                "standing_in_words": result.observability.standing[column].value,
                "at_bound": column in held,
                "z": None if test is None else test.z,
                "p_sidak": None if test is None else test.p_sidak,
                "p_holm": None if test is None else test.p_holm,
                "flagged": test is not None and test.flagged,
                "equivalent": [] if test is None else [names[j] for j in test.equivalent],
            }
        )
    return {
        "streams": figures,
        "balances": _balances(network, result),
        "converged": result.converged,
        "global_test": {
            "statistic": result.statistic,
            "dof": result.dof,
            "limit": doubt.global_limit if result.dof else None,
            "p_value": result.p_value,
            "failed": doubt.global_failed,
            "alpha": doubt.alpha,
        },
        "z_limit": doubt.limit if doubt.measurement_tests else None,
        "nodal_tests": _nodal(network, doubt),
        "suspects": [_suspect(payload, names, suspect) for suspect in doubt.suspects],
        "without_suspects": {
            "statistic": doubt.statistic_left,
            "dof": doubt.dof_left,
            "p_value": doubt.p_left,
        },
        "undetermined": [
            [names[column] for column in group] for group in result.observability.undetermined
        ],
        "counts": {
            standing.name.lower(): result.observability.standing.count(standing)
            for standing in Standing
        },
    }


def _balances(network: _Network, result: Reconciliation) -> list[dict[str, Any]]:
    return [
        {"name": name, "residual_measured": _plain(result.residuals[row])}
        for row, name in enumerate(network.balances)
    ]


def _nodal(network: _Network, doubt: Doubt) -> list[dict[str, Any]]:
    return [
        {
            "balances": [network.balances[row] for row in test.rows],
            "residual": test.residual,
            "u": test.u,
            "z": test.z,
            "p_sidak": test.p_sidak,
            "p_holm": test.p_holm,
            "flagged": test.flagged,
        }
        for test in doubt.nodal_tests
    ]


def _suspect(payload: Mapping[str, Any], names: list[str], suspect: Suspect) -> dict[str, Any]:
    unit = str(payload.get("unit", ""))[:NAME_MAX]
    advice = str(payload.get("advice", "measure it again first"))[:NAME_MAX]
    name = names[suspect.index]
    return {
        "stream": name,
        "bias": suspect.bias,
        "u": suspect.u,
        "z": suspect.z,
        "equivalent": [{"stream": names[j], "bias": bias} for j, bias in suspect.equivalent],
        "rivals": [names[j] for j in suspect.rivals],
        "sentence": plain_words(name, suspect.bias, suspect.u, unit, advice),
    }


def _plain(number: float) -> float | None:
    return None if math.isnan(number) else float(number)


def _list(
    payload: Mapping[str, Any], key: str, limit: int, *, required: bool = False
) -> Sequence[Any]:
    given = payload.get(key)
    if given is None:
        if required:
            raise _refused("This field is needed.", "required", key, None)
        return []
    if isinstance(given, str | bytes) or not isinstance(given, Sequence):
        raise _refused("This field must be a list.", "not_a_list", key, given)
    if len(given) > limit:
        message = f"This list may hold {limit} entries at most."
        raise _refused(message, "too_many", key, len(given))
    return given


def _mapping(given: object, where: str) -> Mapping[str, Any]:
    if not isinstance(given, Mapping):
        raise _refused("This must be an object with named fields.", "not_an_object", where, given)
    return given


def _name(given: object, where: str) -> str:
    if not isinstance(given, str) or not given.strip() or len(given) > NAME_MAX:
        message = f"A name is text of 1 to {NAME_MAX} characters."
        raise _refused(message, "not_a_name", where, given)
    return given


def _add_name(known: dict[str, int], given: object, where: str) -> int:
    name = _name(given, where)
    if name in known:
        raise _refused("This name is used twice.", "duplicate", where, name)
    known[name] = len(known)
    return known[name]


def _stream(network: _Network, given: object, where: str) -> int:
    if not isinstance(given, str) or given not in network.streams:
        raise _refused("There is no such stream.", "unknown_stream", where, given)
    return network.streams[given]


def _number(given: object, where: str) -> float:
    """A finite number from a JSON number or from text such as "1302.4"."""
    try:
        number = math.nan if isinstance(given, bool) else float(given)  # type: ignore[arg-type]
    except (TypeError, ValueError, OverflowError):
        number = math.nan
    if not math.isfinite(number):
        raise _refused("This is not a plain number.", "not_a_number", where, given)
    if abs(number) > SIZE_MAX:
        raise _refused("The value is above the limit of 10^15.", "too_large", where, given)
    return number


REMEDIES: Final = {
    "unknown_node": "Use a name from `nodes`, or null for outside the network.",
    "unknown_stream": "Use the name of a stream in `streams`.",
    "duplicate": "Name each thing once.",
    "negative_variance": "Give a number of zero or more; zero makes the figure exact.",
    "not_psd": "Check the covariance against the two uncertainties.",
    "nothing_measured": "Give at least one measurement.",
    "too_many": "Split the network or leave out what is not needed.",
    "uneven": "Leave the vaguest measurement out, or give zero to the sharpest.",
    "not_a_number": 'Write it in digits, such as 1302.4 or "1302.4".',
    "too_large": "Use a larger unit.",
    "unknown_field": "Use: " + ", ".join(sorted(FIELDS)) + ".",
}


def _refused(message: str, code: str, where: str, value: object) -> InvalidError:
    remedy = REMEDIES.get(code, "Correct this field and send it again.")
    return InvalidError(message, code=code, field=where, value=value, remedy=remedy)
