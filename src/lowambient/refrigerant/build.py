"""Makes the committed saturation tables with CoolProp: `python -m lowambient.refrigerant.build [--check]`.

Pure and pseudo-pure refrigerants are solved knot by knot. A blend's flashes fail or settle on wrong answers here
and there, so its phase envelope is traced first; each knot is then solved from the envelope's nearest points, and
kept only where it agrees with the envelope. What stays unsolved is bridged along the envelope.
"""

import hashlib
import math
import sys
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
from CoolProp import CoolProp
from scipy.interpolate import CubicSpline

from lowambient.refrigerant.catalogue import Refrigerant, refrigerants, tabulated
from lowambient.refrigerant.table import BINS_PER_E_FOLD, SaturationTable, parsed, table_path

Array = npt.NDArray[np.float64]

COOLPROP_VERSION: str = CoolProp.get_global_param_string("version")
ICE_POINT_K = 273.15
COLDEST_K = ICE_POINT_K - 60.0
TOP_OF_ONE_FLUID = 0.95
"""Fraction of critical pressure [-] that pure and pseudo-pure tables reach."""
TOP_OF_BLEND = 0.92
"""Fraction of the phase envelope's highest pressure [-] that blend tables reach; envelopes are coarse above."""
NEAR_DUPLICATE = 1.003
"""Pressure ratio [-] under which two envelope points are one: a spline through both would swing by degrees."""
NEAREST_GUESSES = 4
AGREEMENT_K = 0.05
"""A flash further than this from the envelope has settled on a wrong answer."""
WIDEST_CHORD_K = 0.001
"""Largest gap allowed between the curve and its chord from knot to knot."""
CROSSING_K = 0.0003
"""Dew may lie this far under bubble in an azeotrope, by rounding."""
SAME_K = {"pure": 0.0003, "pseudo-pure": 0.0003, "blend": 0.003}
"""Two builds no further apart are the same: another machine rounds, and a blend's flash fails at another knot."""
VARYING = frozenset({"digest", "knots bridged along the envelope"})
"""Header lines that rounding can change."""


@dataclass(frozen=True)
class Curves:
    """Bubble and dew temperature, K, at consecutive knots from `first_bin`, and what the header says of them.

    `bridged` counts the knots that no flash solved.
    """

    first_bin: int
    bubble_k: Array
    dew_k: Array
    ends: str
    composition: str
    bridged: int


def main(arguments: list[str]) -> int:
    """Writes every table, or with `--check` compares them with the committed ones; returns the exit code."""
    different = []
    for name in tabulated():
        text = table_text(refrigerants()[name])
        if "--check" in arguments:
            committed = table_path(name).read_text(encoding="utf-8")
            different += [f"{name}: {line}" for line in differences(parsed(text), parsed(committed))]
        else:
            table_path(name).parent.mkdir(exist_ok=True)
            table_path(name).write_text(text, encoding="utf-8")
    print("\n".join(different) or f"{len(tabulated())} tables, CoolProp {COOLPROP_VERSION}", file=sys.stderr)
    return 1 if different else 0


def differences(built: SaturationTable, committed: SaturationTable) -> list[str]:
    """What differs between two tables of one refrigerant beyond rounding; empty when nothing does."""
    header = [
        f"{key} is {committed.origin.get(key)}, now {value}"
        for key, value in built.origin.items()
        if key not in VARYING and committed.origin.get(key) != value
    ]
    if header or len(built.knots_bubble_c) != len(committed.knots_bubble_c):
        return header or ["number of knots"]
    bubble = np.abs(np.subtract(built.knots_bubble_c, committed.knots_bubble_c)).max()
    dew = np.abs(np.subtract(built.knots_dew_c, committed.knots_dew_c)).max()
    same_k = SAME_K[committed.origin["kind"]]
    return [f"temperatures by {max(bubble, dew):.4f} K"] if max(bubble, dew) > same_k else []


def table_text(refrigerant: Refrigerant) -> str:
    """The file of one refrigerant: header, digest of everything but itself, and a row for each knot.

    Raises: ArithmeticError when the curves are not what saturation curves must be.
    """
    curves = one_fluid(refrigerant) if refrigerant.model else blend(refrigerant)
    check(refrigerant, curves)
    knots = curves.first_bin + np.arange(len(curves.bubble_k))
    header = {
        "refrigerant": refrigerant.name,
        "kind": refrigerant.kind,
        "composition by mass": " + ".join(f"{name} {part:.3f}" for name, part in refrigerant.composition),
        "composition by mole": curves.composition,
        "equation of state": f"CoolProp {COOLPROP_VERSION} HEOS {refrigerant.model or 'mixture'}",
        "range": curves.ends,
        "knots": f"at exp(bin / {BINS_PER_E_FOLD}) kPa absolute; between them linear in ln pressure",
        "first bin": str(curves.first_bin),
        "knots bridged along the envelope": str(curves.bridged),
    }
    body = ["pressure_kpa\tbubble_c\tdew_c"]
    body += [
        f"{math.exp(knot / BINS_PER_E_FOLD):.6g}\t{bubble - ICE_POINT_K:.4f}\t{dew - ICE_POINT_K:.4f}"
        for knot, bubble, dew in zip(knots, curves.bubble_k, curves.dew_k, strict=True)
    ]
    lines = [f"# {key}: {value}" for key, value in header.items()]
    return "\n".join([*lines, f"# digest: {digest([*lines, *body])}", *body]) + "\n"


def digest(lines: list[str]) -> str:
    """SHA-256 of all lines of a table but its digest line, each ended by a line feed."""
    return "sha256 " + hashlib.sha256("".join(f"{line}\n" for line in lines).encode()).hexdigest()


def check(refrigerant: Refrigerant, curves: Curves) -> None:
    """Refuses curves that do not rise, cross, or bend more than a chord between knots can follow.

    Raises: ArithmeticError naming the refrigerant and what is wrong.
    """
    for curve in (curves.bubble_k, curves.dew_k):
        chord_k = np.abs(np.diff(curve, 2)).max() / 8
        if (np.diff(curve) <= 0).any():
            raise ArithmeticError(f"{refrigerant.name}: temperature does not rise with pressure")
        if chord_k > WIDEST_CHORD_K:
            raise ArithmeticError(f"{refrigerant.name}: a chord misses the curve by {chord_k:.4f} K")
    if (curves.dew_k < curves.bubble_k - CROSSING_K).any():
        raise ArithmeticError(f"{refrigerant.name}: dew temperature under bubble temperature")


def one_fluid(refrigerant: Refrigerant) -> Curves:
    """Curves of a pure or pseudo-pure refrigerant, which has one equation of state."""
    state = CoolProp.AbstractState("HEOS", refrigerant.model)
    critical_kpa = state.p_critical() / 1000
    triple = state.Ttriple() > COLDEST_K
    state.update(CoolProp.QT_INPUTS, 1.0, max(COLDEST_K, state.Ttriple()))
    lowest = BINS_PER_E_FOLD * math.log(state.p() / 1000)
    knots = _knots(math.ceil(lowest) if triple else math.floor(lowest), TOP_OF_ONE_FLUID * critical_kpa)

    def temperature_k(quality: float, knot: int) -> float:
        state.update(CoolProp.PQ_INPUTS, 1000 * math.exp(knot / BINS_PER_E_FOLD), quality)
        return float(state.T())

    coldest = f"{max(COLDEST_K, state.Ttriple()) - ICE_POINT_K:.2f} degC" + (" (triple point)" if triple else "")
    return Curves(
        first_bin=knots[0],
        bubble_k=np.array([temperature_k(0.0, knot) for knot in knots]),
        dew_k=np.array([temperature_k(1.0, knot) for knot in knots]),
        ends=f"{coldest} to {TOP_OF_ONE_FLUID} of critical pressure {critical_kpa:.1f} kPa",
        composition="as its equation of state" if refrigerant.kind == "pseudo-pure" else f"{refrigerant.name} 1",
        bridged=0,
    )


def blend(refrigerant: Refrigerant) -> Curves:
    """Curves of a blend, from the mixture model of its components."""
    fractions = mole_fractions(refrigerant)
    state = CoolProp.AbstractState("HEOS", "&".join(refrigerants()[name].model for name in fractions))
    state.set_mole_fractions(list(fractions.values()))
    bubble, dew = envelope(state)
    highest_kpa = bubble.pressure_kpa.max()
    coldest_kpa = float(np.exp(np.interp(COLDEST_K, dew.temperature_k, np.log(dew.pressure_kpa))))
    knots = _knots(math.floor(BINS_PER_E_FOLD * math.log(coldest_kpa)), TOP_OF_BLEND * highest_kpa)
    bubble_k, unsolved_bubble = bubble.solved(state, knots)
    dew_k, unsolved_dew = dew.solved(state, knots)
    return Curves(
        first_bin=knots[0],
        bubble_k=bubble_k,
        dew_k=dew_k,
        ends=f"-60.00 degC to {TOP_OF_BLEND} of the phase envelope's highest pressure {highest_kpa:.1f} kPa",
        composition=" + ".join(f"{name} {part:.6f}" for name, part in fractions.items()),
        bridged=unsolved_bubble + unsolved_dew,
    )


def mole_fractions(refrigerant: Refrigerant) -> dict[str, float]:
    """Mole fractions [-] of a blend by component, from its mass fractions and CoolProp's molar masses."""
    moles = {
        component: fraction / CoolProp.PropsSI("molar_mass", refrigerants()[component].model)
        for component, fraction in refrigerant.composition
    }
    return {component: amount / sum(moles.values()) for component, amount in moles.items()}


@dataclass(frozen=True)
class Branch:
    """One side of a phase envelope, pressures rising: temperatures, densities, and both phases' mole fractions.

    `quality` is 0 for bubble and 1 for dew; `liquid` and `vapour` have one column for each point.
    """

    quality: float
    pressure_kpa: Array
    temperature_k: Array
    liquid_mol_m3: Array
    vapour_mol_m3: Array
    liquid: Array
    vapour: Array

    def solved(self, state: Any, knots: range) -> tuple[Array, int]:
        """Temperature at each knot, K, and how many knots no flash solved."""
        log_kpa = np.array(knots) / BINS_PER_E_FOLD
        spline = CubicSpline(np.log(self.pressure_kpa), 1 / self.temperature_k)
        traced_k: Array = 1 / spline(log_kpa)
        flashed_k = np.array([self._flash_k(state, x, t) for x, t in zip(log_kpa, traced_k, strict=True)])
        good = np.isfinite(flashed_k)
        departure_k = np.interp(log_kpa, log_kpa[good], (flashed_k - traced_k)[good])
        return np.where(good, flashed_k, traced_k + departure_k), int((~good).sum())

    def _flash_k(self, state: Any, log_kpa: float, traced_k: float) -> float:
        """Temperature of a flash that starts at an envelope point near by and ends near the envelope, else NaN."""
        for point in np.abs(np.log(self.pressure_kpa) - log_kpa).argsort()[:NEAREST_GUESSES]:
            try:
                state.update_with_guesses(
                    CoolProp.PQ_INPUTS, 1000 * math.exp(log_kpa), self.quality, self._guess(int(point))
                )
            except ValueError:
                continue
            if abs(state.T() - traced_k) < AGREEMENT_K:
                return float(state.T())
        return math.nan

    def _guess(self, point: int) -> Any:
        guess = CoolProp.PyGuessesStructure()
        guess.T = self.temperature_k[point]
        guess.p = 1000 * self.pressure_kpa[point]
        guess.rhomolar_liq = self.liquid_mol_m3[point]
        guess.rhomolar_vap = self.vapour_mol_m3[point]
        guess.x = list(self.liquid[:, point])
        guess.y = list(self.vapour[:, point])
        return guess


def envelope(state: Any) -> tuple[Branch, Branch]:
    """Bubble and dew branch of a phase envelope: split at its highest pressure, near-duplicates dropped."""
    state.build_phase_envelope("veryfine")
    traced = state.get_phase_envelope_data()
    pressure_kpa = np.array(traced.p) / 1000
    top = int(pressure_kpa.argmax())
    # CoolProp traces on past the critical point without renaming the phases, so there its vapour is the liquid.
    phases = (traced.rhomolar_liq, traced.rhomolar_vap, traced.x, traced.y)
    dew = _branch(1.0, pressure_kpa, np.array(traced.T), phases, slice(0, top + 1))
    swapped = (traced.rhomolar_vap, traced.rhomolar_liq, traced.y, traced.x)
    bubble = _branch(0.0, pressure_kpa, np.array(traced.T), swapped, slice(top, None))
    return bubble, dew


def _branch(quality: float, pressure_kpa: Array, temperature_k: Array, phases: Any, side: slice) -> Branch:
    rising = np.arange(len(pressure_kpa))[side]
    rising = rising[np.argsort(pressure_kpa[rising])]
    kept = [rising[0]]
    for point in rising[1:]:
        if pressure_kpa[point] > NEAR_DUPLICATE * pressure_kpa[kept[-1]]:
            kept.append(point)
    liquid_mol_m3, vapour_mol_m3, liquid, vapour = (np.array(values)[..., kept] for values in phases)
    kept_kpa, kept_k = pressure_kpa[kept], temperature_k[kept]
    return Branch(quality, kept_kpa, kept_k, liquid_mol_m3, vapour_mol_m3, liquid, vapour)


def _knots(first_bin: int, highest_kpa: float) -> range:
    """Bins whose starting pressures run from `first_bin` to the first at or over `highest_kpa`."""
    return range(first_bin, math.ceil(BINS_PER_E_FOLD * math.log(highest_kpa)) + 1)


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
