"""The thermal equations, integrated over intervals in which every input is a straight line.

Every temperature of a station is a compartment of first order, z' = (f - z)/tau, in one array
z = [dtheta_h1 (W), dtheta_h2 (W), oil (T)]. Pure; nothing here knows samples, quality or the clock.

[1] IEC 60076-7:2018, 8.2. [2] IEEE Std C57.91-2011, clause 7.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.polynomial import legendre

from collector.thermal.ieee import cooling_excess
from collector.thermal.model import FASTEST_AGEING, SENSE_LOW_C, Bools, Floats, Ints, Model
from collector.thermal.params import KELVIN
from collector.thermal.uncertainty import COVERAGE, estimated_oil_variance, measured_oil_variance

#: Nodes per panel (Radau: the last node is the panel's end) and panels per time constant.
_NODES = 4
_PANEL = 0.4
#: Hot spot may follow the oil by so much within a panel [K], so that the ageing integral stays right.
_PANEL_OIL_K = 15.0
#: A current that changes by more than this [pu] and comes below this share of its other end.
_STEEP_PU = 0.05
_NEAR_ZERO = 0.15
#: Floats per chunk of panels: bounds memory for a long bridge over many windings.
_CHUNK = 400_000
#: The nonlinear oil of [2] is iterated until it moves less than this [K].
_SETTLED_K = 1e-8


def _radau(n: int) -> tuple[Floats, Floats]:
    """Nodes c on (0, 1], last one 1, and B with B[i, j] = integral of the j-th cardinal over (0, c_i)."""
    series = np.zeros(n + 1)
    series[n - 1], series[n] = -1.0, 1.0
    c = np.sort((legendre.legroots(series).real + 1) / 2)
    c[-1] = 1.0
    powers = np.arange(n)
    integrals = c[:, None] ** (powers + 1) / (powers + 1)
    return c, np.ascontiguousarray(integrals @ np.linalg.inv(c[:, None] ** powers))


# Scratch arrays of a large station exceed the size above which glibc's malloc maps and unmaps memory at
# every use, and page faults then cost three times the arithmetic. Freeing one large block raises that
# size for good.
np.empty(2_000_000)

_C, _B = _radau(_NODES)
_WEIGHTS = np.ascontiguousarray(_B[-1])
_SIGNS = np.array([-1.0, 0.0, 1.0])[:, None, None, None]
_FASTEST = float(np.log(FASTEST_AGEING))


@dataclass(frozen=True, slots=True, eq=False)
class Regime:
    """Parameters while cooling modes, energised state and taps stand still. Built by :func:`regime`."""

    mode: Ints
    energised: Bools
    rated_scale: Floats
    loss_scale: Floats
    inverse_rated: Floats  # 1 / rated current [1/A] (W,)
    exponent: Floats  # y, x (W + T,)
    gain: Floats  # k21 H g_r, (k21 - 1) H g_r, top-oil rise [K] (2W + T,)
    inverse_tau: Floats  # [1/s] (2W + T,)
    shortest_s: float
    reach_s: float  # one time constant of the nonlinear oil: its iteration is good for so long a run
    loss_base: Floats  # no-load share of p (T,)
    loss_slope: Floats  # load share of p per K_oil^2 (T,)
    ambient_gain: Floats  # 1: z holds oil [degC] (IEC); 0: z holds the rise over ambient [K] (IEEE)
    ieee: Ints  # transformers of IEEE with n other than 1
    inverse_n: Floats
    gradient_variance: Floats  # relative variance of the gradient: u_gradient^2 + (y u_current)^2 (W,)
    gradient_only_variance: Floats
    u_oil_k: Floats  # of measured oil, per winding (W,)
    current_sensitivity: Floats  # y u_current (W,)
    oil_sensitivity: Floats  # 2 x u_oil_current (T,)
    settle_s: Floats
    inverse_reach: Floats  # 1 / change of each input that needs a closer look [1/A, 1/K] (W + 2T,)


def regime(
    model: Model,
    mode: Ints,
    energised: Bools | None = None,
    rated_scale: Floats | None = None,
    loss_scale: Floats | None = None,
) -> Regime:
    """Parameters of cooling modes ``mode`` (T,); kept in the model's cache."""
    mode = np.ascontiguousarray(mode, dtype=np.int64)
    key = mode.tobytes()
    # what is as usual is left out, so that one regime is one object however it was asked for
    if energised is not None and not np.all(energised):
        key += b"e" + np.asarray(energised, dtype=np.bool_).tobytes()
    if rated_scale is not None and not np.all(rated_scale == 1.0):
        key += b"r" + np.asarray(rated_scale, dtype=np.float64).tobytes()
    if loss_scale is not None and not np.all(loss_scale == 1.0):
        key += b"l" + np.asarray(loss_scale, dtype=np.float64).tobytes()
    found = model.cache.get(key)
    if found is None:
        if len(model.cache) > 512:
            model.cache.clear()
        found = _regime(model, mode, energised, rated_scale, loss_scale)
        model.cache[key] = found
    assert isinstance(found, Regime)
    return found


def _regime(
    model: Model, mode: Ints, energised: Bools | None, rated_scale: Floats | None, loss_scale: Floats | None
) -> Regime:
    t, w = len(model.transformers), len(model.windings)
    if mode.shape != (t,) or mode.min() < 0 or (mode > model.strongest).any():
        raise ValueError(f"cooling mode {mode.tolist()} is none of {model.mode_ids}")
    on = np.ones(t, dtype=np.bool_) if energised is None else np.array(energised, dtype=np.bool_)
    scale = np.ones(w) if rated_scale is None else np.array(rated_scale, dtype=np.float64)
    loss = np.ones(t) if loss_scale is None else np.array(loss_scale, dtype=np.float64)
    if on.shape != (t,) or scale.shape != (w,) or loss.shape != (t,):
        raise ValueError("energised and loss_scale need one value per transformer, rated_scale per winding")
    if not (np.isfinite(scale).all() and np.isfinite(loss).all() and scale.min() > 0 and loss.min() >= 0):
        raise ValueError("tap factors must be finite and positive")
    ti, wi = np.arange(t), np.arange(w)
    mw = mode[model.owner]
    y, k21 = model.y[mw, wi], model.k21[mw, wi]
    gradient = model.rated_gradient_k[mw, wi]
    rise, r, x = model.top_oil_rise_k[mode, ti], model.loss_ratio[mode, ti], model.x[mode, ti]
    tau = np.concatenate((model.tau_1_s[mw, wi], model.tau_2_s[mw, wi], model.tau_oil_s[mode, ti]))
    u_gradient = model.u_gradient[mw, wi] ** 2
    nonlinear = np.flatnonzero(model.ieee & (x != 1.0))
    arrays = {
        "mode": mode.copy(),
        "energised": on,
        "rated_scale": scale,
        "loss_scale": loss,
        "inverse_rated": 1.0 / (model.rated_current_a[mw, wi] * scale),
        "exponent": np.concatenate((y, np.where(model.ieee, 1.0, x))),
        "gain": np.concatenate((k21 * gradient, (k21 - 1.0) * gradient, rise)),
        "inverse_tau": 1.0 / tau,
        "loss_base": on / (1.0 + r),
        "loss_slope": r * loss / (1.0 + r),
        "ambient_gain": np.where(model.ieee, 0.0, 1.0),
        "ieee": nonlinear,
        "inverse_n": 1.0 / x[nonlinear],
        "gradient_variance": u_gradient + (y * model.u_current) ** 2,
        "gradient_only_variance": u_gradient,
        "u_oil_k": model.u_oil_k[model.owner],
        "current_sensitivity": y * model.u_current,
        "oil_sensitivity": 2.0 * x * model.u_oil_current,
        "settle_s": model.settle_s[mode, ti],
        "inverse_reach": np.concatenate(
            (1.0 / (_STEEP_PU * model.rated_current_a[mw, wi]), np.zeros(t), np.full(t, 1.0 / _PANEL_OIL_K))
        ),
    }
    for array in arrays.values():
        array.setflags(write=False)
    # where k21 = 1 nothing enters dtheta_h2, so its time constant may be as short as it likes
    acts = np.concatenate((np.full(w, True), np.greater(k21, 1.0), np.full(t, True)))
    reach = tau[2 * w :][nonlinear].min() if len(nonlinear) else np.inf
    return Regime(shortest_s=float(tau[acts].min()), reach_s=float(reach), **arrays)


@dataclass(frozen=True, slots=True, eq=False)
class Path:
    """What :func:`integrate` found at the end of each of P intervals, and over it.

    z: compartments (P, 2W + T). load_pu (P, W). oil_c: top oil used (P, T). expected_c: top oil by load and
    ambient (P, T). hot_spot_c, uncertainty_k (k = 2), rate: (P, W). life_s: integral of V dt at hot spot
    minus U, best, plus U over each interval [s] (3, P, W). offset_k: measured minus expected oil, at the
    end (T,).
    """

    z: Floats
    load_pu: Floats
    oil_c: Floats
    expected_c: Floats
    hot_spot_c: Floats
    uncertainty_k: Floats
    rate: Floats
    life_s: Floats
    offset_k: Floats


def integrate(
    model: Model,
    regime: Regime,
    z: Floats,
    offset_k: Floats,
    dt_s: Floats,
    inputs: Floats,
    estimated: Bools | None = None,
    ageing: bool = True,
) -> Path:
    """Carry z over P intervals in which the inputs run along straight lines.

    z: compartments at the beginning, (2W + T,): dtheta_h1 (W), dtheta_h2 (W) [K], oil (T): temperature
        [degC] for IEC, rise over ambient [K] for IEEE.
    offset_k: measured minus expected top oil at the beginning [K] (T,).
    dt_s: lengths of the intervals [s], >= 0 (P,).
    inputs: winding currents [A] (W), ambient [degC] (T), measured top oil [degC] (T) at the ends of the
        intervals, (P + 1, W + 2T).
    estimated: where the top oil is not measured but expected + offset (T,); None = nowhere. A positive
        offset is carried on, a negative one fades with tau_oil: cooling that was seen to be worse than
        expected stays so, cooling better than expected is not relied on.
    ageing: False leaves uncertainty, rate and life out (zeros), for runs that ask for temperatures only.

    Equations, for each winding and transformer, K = current / rated current of the mode [1]:

        d(dtheta_h1)/dt = (k21 dtheta_hr K^y - dtheta_h1) / (k22 tau_w)
        d(dtheta_h2)/dt = ((k21 - 1) dtheta_hr K^y - dtheta_h2) / (tau_o / k22)
        theta_h         = theta_o + dtheta_h1 - dtheta_h2
        d(theta_o)/dt   = (p^x dtheta_or + theta_a - theta_o) / (k11 tau_o),  p = (1 + R K_oil^2)/(1 + R)

    and for [2]  tau d(D)/dt = p - D^(1/n),  theta_o = theta_a + D dtheta_or,  k21 = k22 = 1, y = 2m.

    Solution of one panel, exact for constant f, with c, B of the Radau quadrature of degree 6:

        z(c_i dt) = f1 + exp(-c_i dt/tau) (z(0) - f1 + dt/tau sum_j B_ij exp(c_j dt/tau) (f_j - f1))

    f1 = f at the panel's end. The ageing integral uses the same nodes.
    """
    w = len(model.windings)
    t = len(model.transformers)
    # panels: intervals cut so that none is long against a time constant or moves an input far
    length = dt_s / (_PANEL * regime.shortest_s)
    change = inputs[1:] - inputs[:-1]
    change *= regime.inverse_reach
    np.abs(change, out=change)
    if length.max() > 1.0 or change.max() > 1.0:
        # K^y bends most where a ramp comes near zero load: four panels there
        low, high = np.minimum(inputs[1:, :w], inputs[:-1, :w]), np.maximum(inputs[1:, :w], inputs[:-1, :w])
        steep = ((change[:, :w] > 1.0) & (low < _NEAR_ZERO * high)).any(axis=1)
        count = np.maximum(np.maximum(length, change[:, w:].max(axis=1)), np.where(steep, 4.0, 1.0))
        count = np.ceil(count).astype(np.int64)
        inputs, dt_s = _refine(inputs, dt_s, count)
        last = np.cumsum(count) - 1
    else:
        last = None
    panels = len(dt_s)
    size = max(1, _CHUNK // (_NODES * (2 * w + t)))
    if panels == 1 or (panels <= size and not len(regime.ieee)):
        path = _panels(model, regime, z, offset_k, dt_s, inputs, estimated, ageing)
    else:
        parts = []
        for begin, end in _chunks(dt_s, size, regime.reach_s):
            part = _panels(
                model, regime, z, offset_k, dt_s[begin:end], inputs[begin : end + 1], estimated, ageing
            )
            z, offset_k = part.z[-1], part.offset_k
            parts.append(part)
        path = Path(
            **{name: np.concatenate([getattr(part, name) for part in parts]) for name in _PER_INTERVAL},
            life_s=np.concatenate([part.life_s for part in parts], axis=1),
            offset_k=offset_k,
        )
    if last is None:
        return path
    return Path(
        **{name: getattr(path, name)[last] for name in _PER_INTERVAL},
        life_s=np.add.reduceat(path.life_s, last - count + 1, axis=1),
        offset_k=path.offset_k,
    )


_PER_INTERVAL = ("z", "load_pu", "oil_c", "expected_c", "hot_spot_c", "uncertainty_k", "rate")


def _chunks(dt_s: Floats, size: int, reach_s: float) -> Iterator[tuple[int, int]]:
    """(begin, end) of runs of panels: at most size of them and, unless it is one, at most reach_s long."""
    until, begin = np.cumsum(dt_s), 0
    while begin < len(dt_s):
        before = until[begin] - dt_s[begin]
        end = min(begin + size, int(np.searchsorted(until, before + reach_s, side="right")))
        end = max(end, begin + 1)
        yield begin, end
        begin = end


def _refine(inputs: Floats, dt_s: Floats, count: Ints) -> tuple[Floats, Floats]:
    """Cut interval i into count[i] equal parts, inputs along the line."""
    of = np.repeat(np.arange(len(count)), count)
    step = np.arange(1, len(of) + 1) - np.repeat(np.cumsum(count) - count, count)
    part = (step / count[of])[:, None]
    begin, end = inputs[:-1][of], inputs[1:][of]
    return np.concatenate((inputs[:1], np.where(part == 1.0, end, begin + part * (end - begin)))), (
        dt_s / count
    )[of]


def _solve(z: Floats, f: Floats, growth: Floats, per_tau: Floats) -> Floats:
    """z at all nodes (P, M, Z): the panel solution of :func:`integrate`, panel after panel."""
    f1 = f[:, -1:, :]
    q = _B @ ((f - f1) * growth)
    q *= per_tau
    q -= f1
    if len(f) == 1:
        q += z
    else:
        start = np.empty((len(f), z.shape[0]))
        end, decay = q[:, -1], growth[:, -1]
        for i in range(len(f)):
            start[i] = z
            z = f1[i, 0] + (z + end[i]) / decay[i]
        q += start[:, None, :]
    q /= growth
    q += f1
    return q


def _panels(
    model: Model,
    regime: Regime,
    z: Floats,
    offset_k: Floats,
    dt_s: Floats,
    inputs: Floats,
    estimated: Bools | None,
    ageing: bool,
) -> Path:
    w, t = len(model.windings), len(model.transformers)
    dt = dt_s[:, None, None]
    begin = inputs[:-1, None, :]
    nodes = begin + _C[:, None] * (inputs[1:, None, :] - begin)  # (P, M, W + 2T)
    nodes[:, -1] = inputs[1:]
    ambient = nodes[..., w : w + t]
    base = np.empty((len(dt_s), _NODES, w + t))
    k = base[..., :w]
    np.multiply(nodes[..., :w], regime.inverse_rated, out=k)
    square = np.add.reduceat(k * k * model.oil_weight, model.first, axis=-1)
    p = base[..., w:]
    np.multiply(square, regime.loss_slope, out=p)
    p += regime.loss_base
    power = base**regime.exponent
    f = np.empty((len(dt_s), _NODES, 2 * w + t))
    f[..., :w] = power[..., :w]
    f[..., w:] = power
    f *= regime.gain
    f[..., 2 * w :] += ambient * regime.ambient_gain
    per_tau = dt * regime.inverse_tau
    growth = np.exp(_C[:, None] * per_tau)
    found = _solve(z, f, growth, per_tau)
    if len(regime.ieee):
        at = 2 * w + regime.ieee
        found[..., at] = _nonlinear(z[at], f[..., at], growth[..., at], per_tau[..., at], regime)
    gradient = found[..., :w] - found[..., w : 2 * w]
    expected = found[..., 2 * w :] + ambient * (1.0 - regime.ambient_gain)
    oil = nodes[..., w + t :]
    if estimated is not None:
        time = (np.cumsum(dt_s) - dt_s)[:, None, None] + dt * _C[:, None]
        fading = np.where(offset_k < 0, regime.inverse_tau[2 * w :], 0.0)
        carried = offset_k * np.exp(-time * fading)
        oil = np.where(estimated, expected + carried, oil)
    end_offset = oil[-1, -1] - expected[-1, -1]
    hot = np.take(oil, model.owner, axis=-1) + gradient
    if not ageing:
        none = np.zeros((3, len(dt_s), w))
        return Path(
            z=found[:, -1],
            load_pu=k[:, -1],
            oil_c=oil[:, -1],
            expected_c=expected[:, -1],
            hot_spot_c=hot[:, -1],
            uncertainty_k=none[0],
            rate=none[0],
            life_s=none,
            offset_k=end_offset,
        )
    if estimated is None:
        variance = measured_oil_variance(gradient, regime.gradient_variance, regime.u_oil_k)
    else:
        variance = _estimated_variance(model, regime, estimated, gradient, expected - ambient, p)
    u = np.sqrt(variance, out=variance)
    u *= COVERAGE
    rate = ageing_rate(model, hot + _SIGNS * u)  # at theta - U, theta, theta + U: (3, P, M, W)
    return Path(
        z=found[:, -1],
        load_pu=k[:, -1],
        oil_c=oil[:, -1],
        expected_c=expected[:, -1],
        hot_spot_c=hot[:, -1],
        uncertainty_k=u[:, -1],
        rate=rate[1, :, -1],
        life_s=(_WEIGHTS @ rate) * dt_s[:, None],
        offset_k=end_offset,
    )


def ageing_rate(model: Model, theta_c: Floats) -> Floats:
    """V = exp(a + b theta - c / (theta + 273)) of each winding's paper, in the place of theta_c (..., W).

    Finite for every theta: bounded below by what is a temperature at all, above by FASTEST_AGEING.
    """
    rate = np.maximum(theta_c, SENSE_LOW_C, out=theta_c)
    inverse = rate + KELVIN
    np.divide(model.law_c, inverse, out=inverse)
    rate *= model.law_b
    rate += model.law_a
    rate -= inverse
    np.minimum(rate, _FASTEST, out=rate)
    return np.exp(rate, out=rate)


def _nonlinear(z: Floats, f: Floats, growth: Floats, per_tau: Floats, regime: Regime) -> Floats:
    """The oil of [2] at all nodes: linear, with D - D^(1/n) moved to the right-hand side, iterated.

    Picard iteration shrinks the error by (length/tau)/i at step i; runs of panels are no longer than tau.
    """
    rated = regime.gain[-len(regime.ambient_gain) :][regime.ieee]
    rise = np.broadcast_to(z, f.shape)
    for _ in range(200):
        better = _solve(z, f + rated * cooling_excess(rise, rated, regime.inverse_n), growth, per_tau)
        change = np.abs(better - rise).max()
        rise = better
        if not change > _SETTLED_K:
            return rise
    raise ArithmeticError(f"top oil of IEEE C57.91 did not settle within 200 iterations (still {change} K)")


def _estimated_variance(
    model: Model, regime: Regime, estimated: Bools, gradient: Floats, rise: Floats, p: Floats
) -> Floats:
    """Variance of the hot spot [K^2] where some transformers are on estimated oil, others on measured."""
    share = np.where(p > 0, (p - regime.loss_base) / np.where(p > 0, p, 1.0), 0.0)
    # the tested rise is wrong by a share of itself: its error grows and shrinks with the rise
    rated = regime.gain[-len(model.u_rise_k) :]
    estimate = model.u_ambient_k**2 + (model.u_rise_k * rise / rated) ** 2
    own = np.where(estimated, estimate, model.u_oil_k**2)
    owner = model.owner
    return estimated_oil_variance(
        gradient,
        regime.gradient_only_variance,
        regime.current_sensitivity,
        np.take(np.where(estimated, rise, 0.0), owner, axis=-1),
        np.take(share, owner, axis=-1),
        regime.oil_sensitivity[owner],
        np.take(own, owner, axis=-1),
    )


def steady(model: Model, regime: Regime, inputs: Floats) -> Floats:
    """Compartments in steady state at constant inputs (..., W + 2T): (..., 2W + T)."""
    w, t = len(model.windings), len(model.transformers)
    k = inputs[..., :w] * regime.inverse_rated
    p = regime.loss_base + regime.loss_slope * np.add.reduceat(k * k * model.oil_weight, model.first, axis=-1)
    power = k ** regime.exponent[:w]
    exponent = regime.exponent[w:].copy()
    exponent[regime.ieee] = 1.0 / regime.inverse_n
    ambient = inputs[..., w : w + t] * regime.ambient_gain
    z = np.concatenate((power, power, p**exponent), axis=-1) * regime.gain
    z[..., 2 * w :] += ambient
    return np.asarray(z)


def steady_state(model: Model, load_pu: Floats, ambient_c: Floats, mode: Ints) -> tuple[Floats, Floats]:
    """Hot spot (..., W) and top oil (..., T) [degC] in steady state, for tables.

    load_pu: K of each winding (..., W), in the mode given. ambient_c: [degC] (..., T). mode: (T,).
    """
    w, t = len(model.windings), len(model.transformers)
    r = regime(model, mode)
    shape = np.broadcast_shapes(load_pu.shape[:-1], ambient_c.shape[:-1])
    inputs = np.zeros((*shape, w + 2 * t))
    inputs[..., :w] = load_pu / r.inverse_rated
    inputs[..., w : w + t] = ambient_c
    z = steady(model, r, inputs)
    oil = z[..., 2 * w :] + inputs[..., w : w + t] * (1.0 - r.ambient_gain)
    return oil[..., model.owner] + z[..., :w] - z[..., w : 2 * w], oil
