"""Energy, moments and shape of a recorded discharge, with the uncertainty of the energy.

Reach for it where a capture of the current or voltage of a discharge exists beside the figure that the instrument printed. Times are
in nanoseconds, currents in amperes, voltages in volts and resistances in ohms, so that energies come out in nanojoules and charges in
nanocoulombs.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike

from spc.kernels.arrays import Flags, Floats
from spc.kernels.validation import as_points, positive

__all__ = [
    "Agreement",
    "Budget",
    "Capture",
    "Shape",
    "Source",
    "agreement",
    "bandwidth_share",
    "budget",
    "causes_of_ratio",
    "droop_share",
    "energy",
    "noise_sd",
    "outline",
    "shape",
    "source",
    "trapezoid_weights",
]

# Fewer samples before the pulse give no usable mean: their number limits both the offset and the noise that are subtracted.
LEAST_BASELINE = 50
LEAST_ON_RISE = 5
# Samples just before the crossing may already hold the foot of the pulse.
GUARD = 5
# A lowest amount that can be detected: one-sided 95 % of a normal distribution (Currie 1968, from memory).
DETECTION = 1.6448536269514722
# Of a normal distribution one value in a thousand lies further out, on either side.
FAR = 3.2905267314918945
LEAST_FOR_FAR = 5


@dataclass(frozen=True, slots=True)
class Capture:
    """The energy of one recorded discharge and what limits it.

    `energy` is in nJ; `bound` is +1 where it is a lower bound (clipped or cut short), -1 where it is an upper bound (below the
    noise), else 0. `sd` (nJ) holds noise and baseline only, not resistor, gain or bandwidth: see `budget`. `offset` and `noise`
    are the mean and the standard deviation of the samples before the pulse, in the recorded unit; `removed` is the energy of the
    noise that was subtracted. `peak` (recorded unit) is the largest magnitude, at `peak_at` (ns); `charge` is the integral of the
    record over time and `centroid` (ns) its centre, from the first crossing. `width` (ns) is the integral of the square over
    the squared peak. `marks` names what a reader must know, in a fixed order.
    """

    energy: float
    bound: int
    sd: float
    offset: float
    noise: float
    removed: float
    peak: float
    peak_at: float
    charge: float
    centroid: float
    width: float
    samples: int
    marks: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Shape:
    """Peak, rise and decay of a pulse; nan where the record does not hold the crossing. Times in ns, `ringing` as a share of the peak."""

    peak: float
    peak_at: float
    rise: float
    decay: float
    ringing: float


@dataclass(frozen=True, slots=True)
class Source:
    """Voltage (V), capacitance (pF) and series resistance (ohm) of a discharge source, from the moments of its own record."""

    voltage: float
    capacitance: float
    resistance: float


@dataclass(frozen=True, slots=True)
class Budget:
    """Relative standard uncertainty of an energy: by part and combined. The parts in `shared` are one error for all discharges."""

    resistor: float
    gain: float
    time_base: float
    bandwidth: float
    noise: float
    baseline: float
    combined: float
    shared: float


@dataclass(frozen=True, slots=True)
class Agreement:
    """Recorded against recomputed energies of one instrument on one day.

    `median` and `scatter` are the median and the robust standard deviation of ln(recorded / recomputed); `uncertainty` is the expanded
    uncertainty (k = 2) of the median, also a natural log. `is_off`: the median differs from 0 by more than that. `far` marks the discharges
    that differ from the median by more than 3.29 scatters.
    """

    median: float
    scatter: float
    uncertainty: float
    is_off: bool
    far: Flags


def trapezoid_weights(time: ArrayLike) -> Floats:
    """Weights of the trapezoid rule on the written times.

    Parameters
    ----------
    time : array_like, shape (n,)
        Rising times in ns.

    Returns
    -------
    ndarray, shape (n,)
        Half of the two neighbouring steps; their sum is the length of the record.

    Examples
    --------
    >>> trapezoid_weights([0.0, 1.0, 3.0])
    array([0.5, 1.5, 1. ])
    """
    steps = np.diff(as_points(time, "time", 2))
    return np.concatenate([steps[:1], steps[:-1] + steps[1:], steps[-1:]]) / 2


def noise_sd(current: ArrayLike, weights: ArrayLike, noise: float, baseline_samples: int, resistor: float) -> float:
    """Standard deviation of an energy from which the energy of the noise was subtracted.

    Parameters
    ----------
    current : array_like, shape (n,)
        Current without noise, in A.
    weights : array_like, shape (n,)
        Weights of the integration, in ns.
    noise : float
        Standard deviation of one sample, in A.
    baseline_samples : int
        Number of samples of which the offset is the mean.
    resistor : float
        Sensing resistor in ohm.

    Returns
    -------
    float
        In nJ. The four terms are pulse and noise, noise squared, the offset, and the estimate of the noise itself.

    Examples
    --------
    A pulse of 9.2 nJ in 500 ohm under a noise of 1 mA, in steps of 0.4 ns:

    >>> time = np.arange(0.0, 600.2, 0.4)
    >>> current = 0.05 * (np.exp(-time / 20) - np.exp(-time / 2))
    >>> round(noise_sd(current, trapezoid_weights(time), 1e-3, 250, 500.0), 3)
    0.107
    """
    pulse, steps = np.asarray(current, dtype=float), np.asarray(weights, dtype=float)
    square = noise**2
    return resistor * float(
        np.sqrt(
            4 * square * np.sum(steps**2 * pulse**2)
            + 2 * square**2 * np.sum(steps**2)
            + 4 * square * np.sum(steps * pulse) ** 2 / baseline_samples
            + 2 * (np.sum(steps) * square) ** 2 / (baseline_samples - 1)
        )
    )


def energy(
    time: ArrayLike,
    record: ArrayLike,
    resistor: float,
    quantity: Literal["current", "voltage"] = "current",
    window: tuple[float, float] | None = None,
    offset: float | None = None,
    full_scale: float | None = None,
    bandwidth_mhz: float | None = None,
    *,
    averaged: bool = False,
) -> Capture:
    """Energy in the sensing resistor, with offset and noise taken from the samples before the pulse.

    Parameters
    ----------
    time : array_like, shape (n,)
        Times in ns, rising; no step may be longer than 1.5 times the median step.
    record : array_like, shape (n,)
        Current in A, or voltage across the resistor in V.
    resistor : float
        Sensing resistor in ohm, > 0.
    quantity : {"current", "voltage"}
        Which of the two was recorded: the energy is R * integral of i**2, or the integral of v**2 / R.
    window : tuple of float, optional
        First and last time that count, in ns. The same for all captures of a study, else small energies are biased. The whole
        record by default.
    offset : float, optional
        Offset of the record where it is known. It is then neither estimated nor is noise subtracted.
    full_scale : float, optional
        Largest magnitude that the instrument records. Without it, a run of equal samples at the top or bottom of the record,
        entered by a jump, counts as clipped.
    bandwidth_mhz : float, optional
        -3 dB bandwidth of the set-up, used to mark pulses that are too narrow for it.
    averaged : bool
        True for averaged or interpolated records: the noise of their samples is not independent, so none is subtracted.

    Returns
    -------
    Capture

    Raises
    ------
    ValueError
        If the record is no time series: times that repeat or fall, a gap, fewer than 50 samples before the pulse, a window that
        holds no samples.

    Notes
    -----
    With weights w of the trapezoid rule, the energy is R * sum(w * (i - b)**2) - R * s**2 * T * (1 + 1 / m): b and s are the mean
    and standard deviation of m samples before the pulse, T is the length of the window. Simpson's rule is worse here: a discharge
    begins with a kink. A pulse that never leaves the noise is marked `no_discharge` and has no bound: a trigger that missed must not
    look like an excellent bag.

    References
    ----------
    .. [1] JCGM 100:2008, Guide to the expression of uncertainty in measurement, section 5.
    .. [2] L. A. Currie (1968), Limits for qualitative detection and quantitative determination, Anal. Chem. 40, 586-593 (from memory).

    Examples
    --------
    >>> time = np.arange(-100.0, 500.0, 1.0)
    >>> current = 0.05 * np.where(time > 0, np.exp(-time.clip(0) / 20) - np.exp(-time.clip(0) / 2), 0.0)
    >>> capture = energy(time, current, resistor=500.0, window=(0.0, 500.0))
    >>> round(capture.energy, 3), round(capture.charge, 3), capture.bound
    (9.203, 0.898, 0)
    """
    times, values = as_points(time, "time", 2), as_points(record, "record", 2)
    if len(times) != len(values):
        raise ValueError(f"time and record must be of one length, got {len(times)} and {len(values)} samples")
    positive(resistor, "resistor")
    uneven = _uneven(times)
    inside = np.ones(len(times), dtype=bool) if window is None else (times >= window[0]) & (times <= window[1])
    if inside.sum() < 2:
        raise ValueError(
            f"the window {window!r} ns holds fewer than 2 samples of a record from {times[0]:g} to {times[-1]:g} ns"
        )

    code = _code(values)
    pulse_from = _crossing(values, code)
    before = (
        values[: len(values) if pulse_from is None else max(pulse_from - GUARD, 0)] if offset is None else values[:0]
    )
    if offset is None and len(before) < LEAST_BASELINE:
        raise ValueError(
            f"the record holds {len(before)} samples before the pulse, and {LEAST_BASELINE} are needed for its offset; "
            "record more of the time before the trigger, or declare the offset"
        )
    level = float(before.mean()) if offset is None else offset
    noise = float(before.std(ddof=1)) if offset is None else 0.0
    unseen = averaged or (len(before) > 0 and noise < code / 10)

    pulse, weights = values - level, trapezoid_weights(times[inside])
    inner = pulse[inside]
    factor = resistor if quantity == "current" else 1 / resistor
    square = float(np.sum(weights * inner**2))
    result, removed, sd, floor = factor * square, 0.0, 0.0, 0.0
    if len(before) and not unseen:
        removed = factor * noise**2 * float(np.sum(weights)) * (1 + 1 / len(before))
        result -= removed
        sd = noise_sd(np.where(np.abs(inner) > noise, inner, 0.0), weights, noise, len(before), factor)
        floor = DETECTION * noise_sd(np.zeros_like(inner), weights, noise, len(before), factor)

    at = int(np.argmax(np.abs(pulse)))
    peak = float(pulse[at])
    threshold = max(3 * noise, code)
    # Where the declared window ends the integral, all captures lack the same part; a record that ends earlier is cut short.
    # An exponential that has fallen to 1 % of its peak has about 1e-4 of its energy left.
    tail = max(threshold, abs(peak) / 100)
    cut_short = (window is None or bool(times[-1] < window[1])) and bool(np.all(np.abs(pulse[-3:]) > tail))
    clipped = _clipped(values, pulse, code, noise, full_scale)
    bound = 1 if clipped or (cut_short and pulse_from is not None) else 0
    below_noise = pulse_from is not None and bound == 0 and result < floor
    if below_noise:
        # What the record can exclude: a larger energy would not look like this.
        result, bound = max(result, 0.0) + floor, -1
    start = times[inside][0] if pulse_from is None else times[pulse_from]
    charge = float(np.sum(weights * inner))
    width = square / peak**2 if peak else float("nan")
    narrow = bandwidth_mhz is not None and (
        width < 1e4 / (2 * np.pi * bandwidth_mhz) or shape(times, values, level).rise < 0.7e3 / bandwidth_mhz
    )
    if pulse_from is None:
        marks = {"uneven_steps": uneven, "no_discharge": True}
    else:
        marks = {
            "clipped": clipped,
            "cut_short": cut_short,
            "below_noise": below_noise,
            "second_burst": _second_burst(pulse, at, threshold),
            "narrow": narrow,
            "few_samples_on_rise": _samples_on_rise(pulse, at) < LEAST_ON_RISE,
            "offset_moves": len(before) > 0 and _slopes(times[: len(before)], before),
            "noise_not_seen": unseen,
            "uneven_steps": uneven,
        }
    return Capture(
        energy=result, bound=bound, sd=sd, offset=level, noise=noise, removed=removed, peak=peak, peak_at=float(times[at]),
        charge=charge, centroid=float(np.sum(weights * inner * (times[inside] - start)) / charge) if charge else float("nan"),
        width=width, samples=len(times), marks=tuple(mark for mark, holds in marks.items() if holds),
    )  # fmt: skip


def shape(time: ArrayLike, record: ArrayLike, offset: float = 0.0) -> Shape:
    """Peak, rise from 10 to 90 %, decay from the peak to 36.8 %, and ringing of a pulse.

    Parameters
    ----------
    time, record : array_like, shape (n,)
        Times in ns and record in any unit.
    offset : float
        Subtracted from the record first.

    Returns
    -------
    Shape
        Crossings are interpolated between samples. `ringing` is the largest departure, within the first 20 ns after the peak, of
        the record from the straight line through its logarithms there; a smooth decay has about 0.

    Examples
    --------
    The source of a human-body discharge (100 pF at 1 kV, 1500 ohm, 5 uH) into a short circuit:

    >>> slow, fast = 146.589105316, 3.41089468362
    >>> time = np.arange(0.0, 600.0, 0.02)
    >>> current = 1000 / 5000 / (1 / fast - 1 / slow) * (np.exp(-time / slow) - np.exp(-time / fast))
    >>> pulse = shape(time, current)
    >>> round(pulse.peak, 3), round(pulse.rise, 1), round(pulse.decay, 1)
    (0.624, 6.1, 150.0)
    """
    times = as_points(time, "time", 2)
    pulse = as_points(record, "record", 2) - offset
    at = int(np.argmax(np.abs(pulse)))
    size = np.abs(pulse[at])
    relative = pulse * np.sign(pulse[at]) / size if size else np.zeros_like(pulse)

    def before(level: float) -> float:
        below = np.flatnonzero(relative[: at + 1] < level)
        if not len(below):
            return float("nan")
        i = below[-1]
        return float(times[i] + (level - relative[i]) / (relative[i + 1] - relative[i]) * (times[i + 1] - times[i]))

    after = np.flatnonzero(relative[at:] < np.exp(-1)) + at
    decay = float("nan")
    if len(after):
        j = after[0]
        share = (relative[j - 1] - np.exp(-1)) / (relative[j - 1] - relative[j])
        decay = float(times[j - 1] + share * (times[j] - times[j - 1]) - times[at])

    tail = (times > times[at]) & (times <= times[at] + 20.0) & (relative > 0)
    ringing = 0.0
    if tail.sum() >= 5:
        line = np.polynomial.Polynomial.fit(times[tail], np.log(relative[tail]), 1)
        ringing = float(np.max(np.abs(relative[tail] - np.exp(line(times[tail])))))
    return Shape(float(pulse[at]), float(times[at]), before(0.9) - before(0.1), decay, ringing)


def source(charge: float, energy_in_load: float, centroid: float) -> Source:
    """Voltage, capacitance and resistance of a source from three moments of its current into a known load.

    The three hold whatever the inductance of the set-up is [1]_, so they check a source without a model of it.

    Parameters
    ----------
    charge : float
        Integral of the current, in nC.
    energy_in_load : float
        Energy in all resistance of the circuit, in nJ.
    centroid : float
        Centre of the current over time, in ns from the first crossing.

    Returns
    -------
    Source

    References
    ----------
    .. [1] T. J. Maloney (2010), EOS/ESD Symposium, moments of the tester waveform (abstract and introduction read).

    Examples
    --------
    >>> source(100.0, 50_000.0, 150.0)
    Source(voltage=1000.0, capacitance=100.0, resistance=1500.0)
    """
    voltage = 2 * energy_in_load / charge
    capacitance = 1e3 * charge / voltage
    return Source(voltage, capacitance, 1e3 * centroid / capacitance)


def budget(resistor: float, gain: float, time_base: float, bandwidth: float, noise: float, baseline: float) -> Budget:
    """Relative standard uncertainty of an energy by the law of propagation.

    Parameters
    ----------
    resistor, gain, bandwidth : float
        Half-widths of rectangular distributions, as fractions: 0.01 is 1 %. Gain counts twice, as energy is its square.
    time_base, noise, baseline : float
        Relative standard uncertainties.

    Returns
    -------
    Budget
        `shared` combines resistor, gain, time base and bandwidth: more discharges do not reduce them.

    References
    ----------
    .. [1] JCGM 100:2008, Guide to the expression of uncertainty in measurement, 4.3.7 and 5.1.2.

    Examples
    --------
    >>> parts = budget(0.01, 0.02, 0.0001, 0.01, 0.011622575914, 0.004)
    >>> round(100 * parts.combined, 4)
    2.7406
    """
    values = {
        "resistor": resistor,
        "gain": gain,
        "time_base": time_base,
        "bandwidth": bandwidth,
        "noise": noise,
        "baseline": baseline,
    }
    for name, value in values.items():
        if not 0 <= value < np.inf:
            raise ValueError(f"{name} must be a finite fraction, 0 or more, got {value!r}")
    rectangular = float(np.sqrt(3))
    shared = (resistor / rectangular, 2 * gain / rectangular, time_base, bandwidth / rectangular)
    return Budget(
        *shared,
        noise=noise,
        baseline=baseline,
        combined=math.hypot(*shared, noise, baseline),
        shared=math.hypot(*shared),
    )


def agreement(log_ratio: ArrayLike, noise: ArrayLike, shared: float = 0.0) -> Agreement:
    """Compare recorded energies with those recomputed from the captures, over the discharges of a day.

    Parameters
    ----------
    log_ratio : array_like, shape (n,)
        ln(recorded / recomputed) of each discharge, n >= 1.
    noise : array_like, shape (n,)
        Relative standard uncertainty of each that the others do not share: noise of the capture, last digit of the record.
    shared : float
        Relative standard uncertainty that all discharges share and that the two energies do not.

    Returns
    -------
    Agreement
        The scatter is 1.4826 times the median absolute deviation, but no smaller than the median noise: coarse digits must not make
        every discharge far. The median of n normal values has a standard error of sqrt(pi / 2 / n) scatters. With fewer than five
        discharges none is called far.

    References
    ----------
    .. [1] P. J. Huber (1981), Robust Statistics, 1.1 and 5.1: median absolute deviation (from memory).

    Examples
    --------
    Six figures recorded at a quarter, one of them of another discharge:

    >>> import numpy as np
    >>> day = agreement(np.log([0.25, 0.251, 0.249, 0.2502, 0.2498, 0.4]), np.full(6, 0.002), 0.03)
    >>> round(float(np.exp(day.median)), 3), day.is_off, day.far.tolist()
    (0.25, True, [False, False, False, False, False, True])
    """
    values, errors = as_points(log_ratio, "log_ratio", 1), as_points(noise, "noise", 1)
    middle = float(np.median(values))
    scatter = max(1.482602218505602 * float(np.median(np.abs(values - middle))), float(np.median(errors)))
    uncertainty = 2 * math.hypot(shared, scatter * math.sqrt(math.pi / 2 / len(values)))
    far = (np.abs(values - middle) > FAR * scatter) & (len(values) >= LEAST_FOR_FAR)
    return Agreement(middle, scatter, uncertainty, abs(middle) > uncertainty, far)


def outline(time: ArrayLike, record: ArrayLike, offset: float = 0.0, points: int = 200) -> tuple[Floats, Floats]:
    """Thin a record for a picture of its pulse: the smallest and the largest value of each of `points / 2` pieces.

    Parameters
    ----------
    time, record : array_like, shape (n,)
        Times in ns and record in any unit.
    offset : float
        Subtracted from the record first.
    points : int
        About so many points are returned; all samples of the pulse where there are fewer.

    Returns
    -------
    tuple of ndarray
        Times from the first sample of a tenth of the peak, and values, from there to the last sample of a twentieth, with a fifth of that
        length before and after.

    Examples
    --------
    >>> time = np.arange(-1000.0, 9000.0)
    >>> current = 0.05 * np.where(time > 0, np.exp(-time.clip(0) / 20) - np.exp(-time.clip(0) / 2), 0.0)
    >>> at, value = outline(time, current)
    >>> len(at), round(float(value.max()), 4), bool(at[-1] < 200)
    (93, 0.0348, True)
    """
    times, pulse = as_points(time, "time", 2), as_points(record, "record", 2) - offset
    start = int(np.argmax(np.abs(pulse) >= np.abs(pulse).max() / 10))
    end = len(pulse) - int(np.argmax(np.abs(pulse[::-1]) >= np.abs(pulse).max() / 20))
    room = max((end - start) // 5, 2)
    first, last = max(start - room, 0), min(end + room, len(pulse))
    zero = times[start]
    times, pulse = times[first:last], pulse[first:last]
    if len(times) > points:
        pieces = np.array_split(np.arange(len(times)), points // 2)
        kept = np.unique(
            [place for piece in pieces for place in (piece[np.argmin(pulse[piece])], piece[np.argmax(pulse[piece])])]
        )
        times, pulse = times[kept], pulse[kept]
    return times - zero, pulse


def bandwidth_share(tau: float, bandwidth_mhz: float) -> float:
    """Share of the energy of exp(-t/tau) that a set-up with one pole at `bandwidth_mhz` records.

    Examples
    --------
    A bandwidth of 200 MHz does for a pulse of 150 ns, not for one of 3 ns:

    >>> [round(bandwidth_share(tau, 200.0), 3) for tau in (150.0, 3.0)]
    [0.995, 0.79]
    """
    positive(tau, "tau")
    positive(bandwidth_mhz, "bandwidth_mhz")
    return tau / (tau + 1e3 / (2 * np.pi * bandwidth_mhz))


def droop_share(tau: float, lower_time_constant: float) -> float:
    """Share of the energy of exp(-t/tau) that a probe without direct current records; both time constants in ns.

    Examples
    --------
    >>> round(droop_share(150.0, 1000.0), 2)
    0.87
    """
    positive(tau, "tau")
    positive(lower_time_constant, "lower_time_constant")
    return lower_time_constant / (lower_time_constant + tau)


# What a fixed ratio of two energies of one record points to. Energy is the square of every gain.
_CAUSES = (
    (100.0, "a probe factor of 10"),
    (4.0, "a 50 ohm termination, which halves the record"),
    (4.0, "a resistance of 2000 ohm entered for 500 ohm"),
    (3.0, "a resistance of 1500 ohm entered for 500 ohm"),
    (1000.0, "microjoules entered for nanojoules"),
)


def causes_of_ratio(ratio: float, uncertainty: float = 0.1) -> list[str]:
    """Set-up errors that fit a constant ratio between a recorded and a recomputed energy, in either direction.

    Parameters
    ----------
    ratio : float
        One energy over the other, > 0.
    uncertainty : float
        Relative expanded uncertainty of the ratio.

    Returns
    -------
    list of str
        Every cause that fits; several may. Empty where none does.

    Examples
    --------
    >>> causes_of_ratio(0.0102)
    ['a probe factor of 10']
    >>> len(causes_of_ratio(4.1))
    2
    """
    positive(ratio, "ratio")
    size = abs(np.log(ratio))
    return [cause for factor, cause in _CAUSES if abs(size - np.log(factor)) <= uncertainty]


def _uneven(times: Floats) -> bool:
    """Whether steps differ by more than 5 %; ValueError where the times are no series."""
    steps = np.diff(times)
    if (steps <= 0).any():
        i = int(np.argmax(steps <= 0)) + 1
        raise ValueError(
            f"times must rise: sample {i + 1} is at {times[i]:g} ns, the one before at {times[i - 1]:g} ns"
        )
    step = float(np.median(steps))
    if (steps > 1.5 * step).any():
        i = int(np.argmax(steps > 1.5 * step)) + 1
        raise ValueError(
            f"samples are missing: {steps[i - 1]:g} ns before sample {i + 1}, where the step is {step:g} ns"
        )
    return bool(np.max(np.abs(steps - step)) > 0.05 * step)


def _code(values: Floats) -> float:
    """Smallest difference between two recorded values: the step of the converter, or of the printed digits."""
    gaps = np.diff(np.unique(values))
    # Rounding in the last bits of a float is no step of a converter.
    gaps = gaps[gaps > 1e-9 * max(np.ptp(values), np.finfo(float).tiny)]
    return float(gaps.min()) if len(gaps) else 0.0


def _crossing(values: Floats, code: float) -> int | None:
    """First sample of the pulse: the first two in a row beyond five standard deviations of those before; None without a pulse."""

    def spread(block: Floats) -> float:
        return float(np.subtract(*np.percentile(block, [75, 25]))) / 1.349

    early = values[:LEAST_BASELINE]
    if spread(early) > 5 * max(spread(values[-LEAST_BASELINE:]), code):
        return 0  # The record begins inside the pulse.
    for _ in range(2):
        # The second time with all samples before the first crossing: fifty give the spread to a sixth only.
        away = np.abs(values - float(np.median(early))) > max(5 * spread(early), 1.5 * code)
        pairs = np.flatnonzero(away[:-1] & away[1:])
        early = values[: max(int(pairs[0]) if len(pairs) else len(values), LEAST_BASELINE)]
    return int(pairs[0]) if len(pairs) else None


def _slopes(times: Floats, before: Floats) -> bool:
    """Whether the samples before the pulse have a slope beyond three standard errors."""
    centred = times - times.mean()
    square = float(np.sum(centred**2))
    slope = float(np.sum(centred * before)) / square
    rest = before - before.mean() - slope * centred
    error = np.sqrt(float(np.sum(rest**2)) / (len(before) - 2) / square)
    return bool(abs(slope) > 3 * error > 0)


def _clipped(values: Floats, pulse: Floats, code: float, noise: float, full_scale: float | None) -> bool:
    if full_scale is not None:
        return bool(np.any(np.abs(values) >= full_scale))
    for end in (values.max(), values.min()):
        at = np.flatnonzero(values == end)
        runs = np.split(at, np.flatnonzero(np.diff(at) > 1) + 1)
        for run in runs:
            if len(run) < 2 or abs(pulse[run[0]]) <= max(10 * noise, 5 * code):
                continue
            sides = [abs(values[i] - end) for i in (run[0] - 1, run[-1] + 1) if 0 <= i < len(values)]
            # A smooth peak enters its top by about one code; a clipped one jumps into it.
            if sides and max(sides) > 3 * code:
                return True
    return False


def _second_burst(pulse: Floats, at: int, threshold: float) -> bool:
    """Whether more than a tenth of the peak comes again after ten samples within the noise."""
    rest: Flags = np.abs(pulse[at:]) <= threshold
    quiet = np.flatnonzero(np.convolve(rest, np.ones(10), "valid") == 10)
    return bool(len(quiet) and np.any(np.abs(pulse[at + quiet[0] + 10 :]) > max(abs(pulse[at]) / 10, threshold)))


def _samples_on_rise(pulse: Floats, at: int) -> int:
    """Samples from a tenth of the peak up to the peak."""
    below = np.flatnonzero(np.abs(pulse[: at + 1]) < abs(pulse[at]) / 10)
    return at - int(below[-1]) if len(below) else at + 1
