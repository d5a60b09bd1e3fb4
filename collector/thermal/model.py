"""The settings of a station, compiled into arrays over all its transformers and windings.

Data and look-up only; no equations (kernel.py), no state (track.py), no I/O.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, fields
from typing import Any

import numpy as np
from numpy.typing import NDArray

from collector.settings.model import Mode, Settings, Transformer, Winding
from collector.thermal import params
from collector.thermal.ageing import law_in_force
from collector.thermal.defaults import FIGURES, figures_in_force

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

_ROOT3 = 3.0**0.5

#: Beyond physical sense (the settings' plausibility ranges are much narrower); they keep a state finite.
SENSE_LOW_C = -100.0
SENSE_AMBIENT_C = 150.0
SENSE_OIL_C = 400.0
SENSE_PU = 30.0
#: What is published as hot spot or estimated oil ends here: paper chars from some 300 degC and oil boils
#: (from memory), so that a higher figure says nothing about a transformer, only about its inputs.
SENSE_HOT_SPOT_C = 400.0
#: No paper is taken to age faster than this, relative to its normal rate: the longest normal life that
#: settings take, 1e6 h, is gone in four seconds. Both guides tabulate to 200 degC, where kraft ages 1.3e5
#: times as fast.
FASTEST_AGEING = 1e9


@dataclass(frozen=True, slots=True, eq=False)
class Model:
    """Parameters of W windings and T transformers; M = largest number of cooling modes.

    Rows of (M, ...) arrays beyond a transformer's own modes repeat its strongest mode. Guides mix: an
    IEEE transformer's windings are the IEC equations with k21 = k22 = 1 and y = 2m, its oil is marked.

    transformers: ids ("T1"). windings: ids ("T1.HV_A"), those of one transformer side by side.
    transformer_index, winding_index: id -> index. owner: transformer of each winding (W,).
    first: first winding of each transformer (T,). mode_ids: per transformer, weakest cooling first.
    ieee: IEEE C57.91 clause 7 instead of IEC 60076-7 (T,). gap_s: no line is drawn across a longer gap [s].

    rated_current_a [A], rated_gradient_k = H g_r [K], y, k21, tau_1_s = k22 tau_w [s],
    tau_2_s = tau_o / k22 [s]: (M, W).
    top_oil_rise_k [K], loss_ratio = R, x (IEEE: n), tau_oil_s = k11 tau_o [s], settle_s = 3 tau_o/k22 [s]:
    (M, T).
    oil_weight: w in K_oil^2 = sum w K^2 over a transformer's windings (W,).
    law_a, law_b, law_c: ageing law of the paper (W,). life_start_h, normal_life_h [h]: (W,).

    Standard uncertainties (k = 1): u_oil_k, u_ambient_k, u_rise_k [K] (T,); u_oil_current: relative, of
    the current that heats the oil (T,); u_current: relative (W,); u_gradient: relative, of H g_r (M, W).

    derived: winding -> ((source winding, factor), ...). tap_principal, tap_step_pu: NaN without tap
    changer (T,). tapped: windings whose rated current goes with the tap (W,).

    Inputs stand in one row of I = W + 2T: currents [A], ambient [degC], top oil [degC]. input_owner:
    transformer of each; input_low, input_high: beyond them a value is no measurement (I,).
    """

    transformers: tuple[str, ...]
    windings: tuple[str, ...]
    transformer_index: Mapping[str, int]
    winding_index: Mapping[str, int]
    mode_ids: tuple[tuple[str, ...], ...]
    owner: Ints
    first: Ints
    ieee: Bools
    gap_s: float
    rated_current_a: Floats
    rated_gradient_k: Floats
    y: Floats
    k21: Floats
    tau_1_s: Floats
    tau_2_s: Floats
    top_oil_rise_k: Floats
    loss_ratio: Floats
    x: Floats
    tau_oil_s: Floats
    settle_s: Floats
    oil_weight: Floats
    law_a: Floats
    law_b: Floats
    law_c: Floats
    life_start_h: Floats
    normal_life_h: Floats
    u_oil_k: Floats
    u_ambient_k: Floats
    u_rise_k: Floats
    u_oil_current: Floats
    u_current: Floats
    u_gradient: Floats
    derived: Mapping[int, tuple[tuple[int, float], ...]]
    tap_principal: Floats
    tap_step_pu: Floats
    tapped: Bools
    input_owner: Ints
    input_low: Floats
    input_high: Floats
    #: compiled regimes (kernel.py) by mode, energised state and tap; a cache, no part of the model's value
    cache: dict[bytes, Any] = field(default_factory=dict, repr=False)

    @property
    def strongest(self) -> Ints:
        """Index of the strongest cooling mode of each transformer (T,)."""
        return np.array([len(ids) - 1 for ids in self.mode_ids], dtype=np.int64)

    def tiled(self, n: int) -> Model:
        """The same station n times side by side, for scenarios in one call; ids get "#1" ... appended.

        Winding w of copy i is at index ``i * W + w``, transformer t at ``i * T + t``.
        """
        t, w = len(self.transformers), len(self.windings)
        values: dict[str, Any] = {}
        for f in fields(self):
            value = getattr(self, f.name)
            if isinstance(value, np.ndarray):
                values[f.name] = _frozen(np.tile(value, n if value.ndim == 1 else (1, n)))
        copies = np.arange(n)
        values["owner"] = _frozen((self.owner[None, :] + copies[:, None] * t).ravel())
        values["first"] = _frozen((self.first[None, :] + copies[:, None] * w).ravel())
        values |= _input_limits(values["owner"], values["rated_current_a"], t * n)
        names = tuple(f"{name}#{i}" for i in range(n) for name in self.transformers)
        windings = tuple(f"{name}#{i}" for i in range(n) for name in self.windings)
        return Model(
            transformers=names,
            windings=windings,
            transformer_index={name: i for i, name in enumerate(names)},
            winding_index={name: i for i, name in enumerate(windings)},
            mode_ids=self.mode_ids * n,
            gap_s=self.gap_s,
            derived={
                i * w + k: tuple((i * w + s, f) for s, f in sources)
                for i in range(n)
                for k, sources in self.derived.items()
            },
            **values,
        )


def _input_limits(owner: Ints, rated_current_a: Floats, transformers: int) -> dict[str, Any]:
    own = np.arange(transformers)
    return {
        "input_owner": _frozen(np.concatenate((owner, own, own))),
        "input_low": _frozen(np.concatenate((0.0 * owner, np.full(2 * transformers, SENSE_LOW_C)))),
        "input_high": _frozen(
            np.concatenate(
                (
                    SENSE_PU * rated_current_a.max(axis=0),
                    np.full(transformers, SENSE_AMBIENT_C),
                    np.full(transformers, SENSE_OIL_C),
                )
            )
        ),
    }


def _frozen(array: NDArray[Any]) -> NDArray[Any]:
    array.setflags(write=False)
    return array


# --- figures of one transformer ---------------------------------------------------------------------


def mode_constants(transformer: Transformer, mode: Mode) -> tuple[params.ThermalConstants | None, list[str]]:
    """The thermal constants of a mode and the names of figures that are missing (then None)."""
    figures = figures_in_force(transformer, mode)
    missing = [name for name in FIGURES if name not in figures]
    if missing:
        return None, missing
    return params.ThermalConstants(*(float(figures[name]) for name in FIGURES)), []


def oil_weights(transformer: Transformer) -> list[float]:
    """w of K_oil^2 = sum w K^2, in the order of the windings.

    If any winding has an ``oil_weight`` the settings decide and a winding without one counts nothing.
    Default: the mean over the phases of *the* main winding: of each phase the first winding of kind
    ``main`` in the file, those with a measured current before those without; a main winding without a phase
    stands for all three. Both sides of a transformer carry the same load, so counting one side's phases
    once counts everything once; a tertiary that carries its own load needs weights in the settings.
    """
    windings = transformer.windings
    if any(w.oil_weight is not None for w in windings):
        return [w.oil_weight or 0.0 for w in windings]
    main = [w for w in windings if w.kind == "main"] or list(windings)
    main = [w for w in main if w.current is not None] or main
    if main[0].phase is None:
        chosen = [main[0]]
    else:
        by_phase: dict[str | None, Winding] = {}
        for w in main:
            if w.phase is not None:
                by_phase.setdefault(w.phase, w)
        chosen = list(by_phase.values())
    ids = {w.id for w in chosen}
    return [1.0 / len(chosen) if w.id in ids else 0.0 for w in windings]


def figure_faults(transformer: Transformer) -> Iterator[tuple[tuple[str | int, ...], str]]:
    """What keeps a transformer from being compiled: (path below the transformer, message)."""
    oil = transformer.liquid == "mineral_oil"
    try:
        law_in_force(transformer.paper, transformer.oil_preservation, transformer.moisture_percent)
    except ValueError as error:
        yield ("paper",), str(error)
    for i, mode in enumerate(transformer.modes):
        _, missing = mode_constants(transformer, mode)
        for name in missing:
            remedy = "give it, or a design" if oil else f"no defaults for {transformer.liquid}: give it"
            yield ("modes", i, name), f"missing ({remedy})"
    ids = {w.id: w for w in transformer.windings}
    for i, w in enumerate(transformer.windings):
        if w.hot_spot_factor is None and not oil:
            remedy = f"no default for {transformer.liquid}: give it"
            yield ("windings", i, "hot_spot_factor"), f"missing ({remedy})"
        for mode in transformer.modes:
            if mode.id not in w.modes:
                yield (
                    ("windings", i, "modes"),
                    f"no figures for cooling mode {mode.id} (each mode needs them)",
                )
        if w.current is None and w.derived_current is None:
            yield ("windings", i), "no current (give current, or derived_current from windings that have one)"
        for source in w.derived_current.factors if w.derived_current else ():
            if source not in ids or ids[source].current is None:
                yield (
                    ("windings", i, "derived_current", "factors", source),
                    "not a winding of this transformer with a measured current",
                )
    if sum(oil_weights(transformer)) <= 0:
        yield ("windings", 0, "oil_weight"), "weights of all windings are zero (their sum is usually 1)"


def compile_model(settings: Settings) -> Model:
    """Arrays of a checked settings tree. ValueError names every figure that is missing or contradicts."""
    faults = [
        f"transformers.{i}.{'.'.join(map(str, path))}: {message}"
        for i, t in enumerate(settings.transformers)
        for path, message in figure_faults(t)
    ]
    if faults:
        raise ValueError("; ".join(faults))
    depth = max(len(t.modes) for t in settings.transformers)
    oil_rows: list[dict[str, Any]] = []
    winding_rows: list[dict[str, Any]] = []
    windings: dict[str, int] = {}
    derived: dict[int, tuple[tuple[int, float], ...]] = {}
    first: list[int] = []
    for ti, t in enumerate(settings.transformers):
        first.append(len(windings))
        modes = [t.modes[min(m, len(t.modes) - 1)] for m in range(depth)]
        constants = [c for c in (mode_constants(t, mode)[0] for mode in modes) if c is not None]
        weights = oil_weights(t)
        law = law_in_force(t.paper, t.oil_preservation, t.moisture_percent)
        base = len(windings)
        for w in t.windings:
            windings[f"{t.id}.{w.id}"] = len(windings)
        index = {w.id: base + i for i, w in enumerate(t.windings)}
        currents: list[float] = []
        for w, weight in zip(t.windings, weights, strict=True):
            distribution = t.size == "distribution"
            factor = w.hot_spot_factor or params.HOT_SPOT_FACTOR[t.size if distribution else "medium"]
            half_width = (
                params.HOT_SPOT_FACTOR_HALF_WIDTH_DEFAULT
                if w.hot_spot_factor is None
                else params.HOT_SPOT_FACTOR_HALF_WIDTH_GIVEN
            )
            at = [w.modes[mode.id] for mode in modes]
            source = w.current or w.derived_current
            accuracy = source.accuracy_percent / 100.0 / _ROOT3 if source else 0.0
            currents.append(accuracy * weight)
            if w.current is None and w.derived_current:
                derived[index[w.id]] = tuple((index[s], f) for s, f in w.derived_current.factors.items())
            winding_rows.append(
                {
                    "owner": ti,
                    "rated_current_a": [m.rated_current_a for m in at],
                    "rated_gradient_k": [factor * m.gradient_k for m in at],
                    "y": [c.y for c in constants],
                    "k21": [c.k21 for c in constants],
                    "tau_1_s": [c.k22 * c.tau_w_min * 60.0 for c in constants],
                    "tau_2_s": [c.tau_o_min * 60.0 / c.k22 for c in constants],
                    "oil_weight": weight,
                    "law_a": law.a,
                    "law_b": law.b,
                    "law_c": law.c,
                    "life_start_h": w.loss_of_life_start_h,
                    "normal_life_h": t.normal_life_h,
                    "u_current": accuracy,
                    "u_gradient": [
                        ((half_width / factor) ** 2 + (params.GRADIENT_HALF_WIDTH_K / m.gradient_k) ** 2)
                        ** 0.5
                        / _ROOT3
                        for m in at
                    ],
                    "tapped": t.tap_changer is not None and w.id in t.tap_changer.windings,
                }
            )
        tap = t.tap_changer
        oil_rows.append(
            {
                "ieee": t.guide == "ieee_c57_91",
                "top_oil_rise_k": [m.top_oil_rise_k for m in modes],
                "loss_ratio": [m.loss_ratio for m in modes],
                "x": [c.x for c in constants],
                "tau_oil_s": [c.k11 * c.tau_o_min * 60.0 for c in constants],
                "settle_s": [3.0 * c.tau_o_min * 60.0 / c.k22 for c in constants],
                "u_oil_k": t.top_oil.accuracy_k / _ROOT3,
                "u_ambient_k": (t.ambient.accuracy_k if t.ambient else 0.0) / _ROOT3,
                "u_rise_k": params.TOP_OIL_RISE_HALF_WIDTH_K / _ROOT3,
                "u_oil_current": sum(currents) / sum(weights),
                "tap_principal": float(tap.principal) if tap else np.nan,
                "tap_step_pu": tap.step_percent / 100.0 if tap else np.nan,
            }
        )
    columns: dict[str, Any] = _columns(winding_rows) | _columns(oil_rows)
    return Model(
        transformers=tuple(t.id for t in settings.transformers),
        windings=tuple(windings),
        transformer_index={t.id: i for i, t in enumerate(settings.transformers)},
        winding_index=windings,
        mode_ids=tuple(tuple(m.id for m in t.modes) for t in settings.transformers),
        first=_frozen(np.array(first, dtype=np.int64)),
        gap_s=settings.station.gap_s,
        derived=derived,
        **columns,
        **_input_limits(columns["owner"], columns["rated_current_a"], len(settings.transformers)),
    )


def _columns(rows: list[dict[str, Any]]) -> dict[str, NDArray[Any]]:
    """Rows of figures per winding or transformer as contiguous arrays, modes first."""
    return {name: _frozen(np.ascontiguousarray(np.array([row[name] for row in rows]).T)) for name in rows[0]}
