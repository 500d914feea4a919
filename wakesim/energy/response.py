"""How a rotor answers gusts: quasi-steady, at fixed speed, or with its inertia.

Equation of motion: J d omega/dt = Q_aero(v, omega) - Q_gen(omega) - Q_loss(omega), with
Q_loss = c omega (bearings; taken at the middle speed). The generator takes Q_gen = k omega^2 up to
the rated power and from the shaft speed of cut-in on, omega_on = lambda_best v_cut-in/R (fading in
over the tenth below it). Beyond the last tip speed ratio lambda_0 the air brakes the rotor,
v^2 C_q = -s (omega R - lambda_0 v) omega R/lambda_0, s the slope of C_q there, which is a drag that
goes with omega^2 in still air. A rotor at rest stays there until the air's torque passes that of
cut-in (cogging holds it; running, cogging takes nothing on average).
The step is the implicit midpoint rule with omega_m = (omega_0 + omega_1)/2:

    J (omega_1 - omega_0)/dt = Q(v_m, omega_m),

of second order, and with all powers taken as Q omega_m the balance

    captured = generated + lost + change of 1/2 J omega^2

holds to rounding, since omega_m (omega_1 - omega_0) = (omega_1^2 - omega_0^2)/2. The rotor never
turns backwards.

``capture_ratio``: a square pulse of speed v and length T meets a rotor that runs in a slower air
v_0. The ratio is the extra energy generated until the rotor is back at rest with the slow air, over
what a rotor without inertia would have added during the pulse, 1/2 rho A C_p (v^3 - v_0^3) T. It
depends on T over the rotor's time constant at the pulse's speed and on v_0/v alone; cut-in is left
out.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike

from wakesim.arrays import Array, kernel
from wakesim.energy.rotor import Rotor

_STEPS_A_TIME_CONSTANT = 20.0
_MOST_SUBSTEPS = 1000
_SETTLE = 60.0  # time constants of the slow air that a pulse's run-out is followed
_PULSE_STEPS = 20  # per time constant of the pulse's speed


@dataclass(frozen=True)
class Response:
    """Energy balance of a series, J, and the speed of the shaft (n + 1,) rad/s.

    ``available_j`` is the kinetic energy flux through the swept area, ``captured_j`` what the air
    gave the shaft, ``generated_j`` what the generator took from it, ``friction_j`` what the
    bearings took, ``kinetic_change_j`` what is left in the rotor, ``electrical_j`` what leaves the
    converter, before standby use.
    """

    available_j: float
    captured_j: float
    generated_j: float
    friction_j: float
    kinetic_change_j: float
    electrical_j: float
    duration_s: float
    shaft_speed_rad_s: Array
    generated_w: Array

    @property
    def mean_electrical_w(self) -> float:
        """Mean electrical output, W, before standby use."""
        return self.electrical_j / self.duration_s

    def captured_effective_speed(self, rotor: Rotor, density_kg_m3: float) -> float:
        """Steady speed at which the rotor at its best point generates as much, m/s."""
        power = self.generated_j / self.duration_s
        best = rotor.curve.best[1]
        return float(np.cbrt(2.0 * power / (density_kg_m3 * rotor.area_m2 * best)))


@kernel(reorder=False)
def _pull(v, omega, ratios, powers, radius):
    """v^2 C_q(lambda), m2/s2, and its slope over omega; C_q = C_p/lambda with its limit at rest."""
    tip = omega * radius
    last = ratios[-1]
    if tip >= last * v:
        fall = powers[-2] / (last - ratios[-2]) / (last * last)
        return -fall * (tip - last * v) * tip, -fall * (2.0 * tip - last * v) * radius
    if tip <= 0.0:
        return v * v * powers[1] / ratios[1], 0.0
    ratio = tip / v
    k = 0
    while ratio >= ratios[k + 1]:
        k += 1
    slope = (powers[k + 1] - powers[k]) / (ratios[k + 1] - ratios[k])
    power = powers[k] + (ratio - ratios[k]) * slope
    return v * v * power / ratio, v * radius * (slope * ratio - power) / (ratio * ratio)


@kernel(reorder=False)
def _torques(v, omega, ratios, powers, force, radius, gain, rated, on, friction):
    """Generator and bearing torque, N m, the sum of all with the aerodynamic one, and its slope
    over omega; ``force`` is 1/2 rho A R."""
    pull, pull_slope = _pull(v, omega, ratios, powers, radius)
    taken, slope = gain * omega * omega, 2.0 * gain * omega
    if omega < on:
        share = max(0.0, 10.0 * omega / on - 9.0)
        slope = slope * share + (taken * 10.0 / on if share > 0.0 else 0.0)
        taken *= share
    if taken * omega > rated:
        taken = rated / omega
        slope = -taken / omega
    rubbed = friction * omega
    return taken, rubbed, force * pull - taken - rubbed, force * pull_slope - slope - friction


@kernel(reorder=False)
def _march(
    speed, dt, substeps, omega, inertia, ratios, powers, force, radius, gain, rated, on,
    breakaway, friction, shaft, generated,
):  # fmt: skip
    """Walk through the series; returns captured, generated and friction energy, J."""
    step = dt / substeps
    total_captured = 0.0
    total_generated = 0.0
    total_friction = 0.0
    shaft[0] = omega
    top = ratios[-1] / radius
    for i in range(speed.size):
        v = speed[i]
        here = 0.0
        for _ in range(substeps):
            if omega <= 0.0 and force * _pull(v, 0.0, ratios, powers, radius)[0] <= breakaway:
                break
            # omega_m solves f = 2 J (omega_m - omega)/dt - Q(omega_m) = 0; f(low) <= 0 <= f(high)
            low = 0.0
            high = max(omega, top * v) + 1e-12
            middle = omega
            for _iteration in range(200):
                _, _, torque, change = _torques(
                    v, middle, ratios, powers, force, radius, gain, rated, on, friction
                )
                f = 2.0 * inertia * (middle - omega) / step - torque
                if f > 0.0:
                    high = middle
                else:
                    low = middle
                slope = 2.0 * inertia / step - change
                new = middle - f / slope if slope > 0.0 else 0.5 * (low + high)
                if not (low < new < high):
                    new = 0.5 * (low + high)
                if abs(new - middle) <= 1e-12 * max(abs(middle), 1e-9):
                    middle = new
                    break
                middle = new
            after = 2.0 * middle - omega
            if after < 0.0:  # friction would turn it backwards: it stops
                after = 0.0
                middle = 0.5 * omega
            taken, rubbed, _, _ = _torques(
                v, middle, ratios, powers, force, radius, gain, rated, on, friction
            )
            # the aerodynamic torque closes the discrete equation exactly
            closed = inertia * (after - omega) / step + taken + rubbed
            total_captured += closed * middle * step
            here += taken * middle * step
            total_friction += rubbed * middle * step
            omega = after
        total_generated += here
        generated[i] = here / dt
        shaft[i + 1] = omega
    return total_captured, total_generated, total_friction


def inertial(
    rotor: Rotor,
    speed_m_s: ArrayLike,
    dt_s: float,
    density_kg_m3: float,
    *,
    start_rad_s: float = 0.0,
    friction_n_m_s: float = 0.0,
    substeps: int | None = None,
) -> Response:
    """Response to a rotor-equivalent speed (n,), each value held for ``dt_s`` seconds.

    ``substeps`` per sample default to twenty for each time constant at the largest speed. Cut-out
    is not used. Raises ValueError for speeds that are negative or not finite, or a step that is not
    positive.
    """
    speed = _series(speed_m_s, dt_s)
    fastest = float(speed.max())
    if substeps is None:
        constant = rotor.time_constant_s(max(fastest, 1e-3), density_kg_m3)
        wanted = math.ceil(_STEPS_A_TIME_CONSTANT * dt_s / constant)
        substeps = min(max(1, wanted), _MOST_SUBSTEPS)
    shaft, generated = np.empty(speed.size + 1), np.empty(speed.size)
    curve = rotor.curve
    force = 0.5 * density_kg_m3 * rotor.area_m2 * rotor.radius_m
    start_slope = curve.power_coefficient[1] / curve.tip_speed_ratio[1]
    captured, taken, rubbed = _march(
        speed, dt_s, substeps, start_rad_s, rotor.inertia, curve.tip_speed_ratio,
        curve.power_coefficient, force, rotor.radius_m, rotor.tracking_gain(density_kg_m3),
        rotor.rated_power_w, curve.best[0] * rotor.cut_in_m_s / rotor.radius_m,
        force * start_slope * rotor.cut_in_m_s**2, friction_n_m_s, shaft, generated,
    )  # fmt: skip
    change = 0.5 * rotor.inertia * (shaft[-1] ** 2 - shaft[0] ** 2)
    return _response(
        rotor, speed, dt_s, density_kg_m3, captured, taken, rubbed, change, shaft, generated
    )


def quasi_steady(rotor: Rotor, speed_m_s: ArrayLike, dt_s: float, density_kg_m3: float) -> Response:
    """A rotor without inertia: at its best tip speed ratio at every instant between the cuts."""
    speed = _series(speed_m_s, dt_s)
    generated = rotor.quasi_steady_shaft_power(speed, density_kg_m3)
    shaft = rotor.curve.best[0] * np.append(speed, speed[-1]) / rotor.radius_m
    energy = float(generated.sum() * dt_s)
    return _response(rotor, speed, dt_s, density_kg_m3, energy, energy, 0.0, 0.0, shaft, generated)


def fixed_speed(
    rotor: Rotor, speed_m_s: ArrayLike, dt_s: float, density_kg_m3: float, shaft_rad_s: float
) -> Response:
    """A rotor held at one shaft speed between the cuts.

    When the air gives nothing it is not driven either: the generator lets go.
    """
    speed = _series(speed_m_s, dt_s)
    power = _fixed_speed_power(rotor, speed, density_kg_m3, shaft_rad_s)
    energy = float(power.sum() * dt_s)
    shaft = np.full(speed.size + 1, shaft_rad_s)
    return _response(rotor, speed, dt_s, density_kg_m3, energy, energy, 0.0, 0.0, shaft, power)


def _fixed_speed_power(
    rotor: Rotor, speed: Array, density_kg_m3: float, shaft_rad_s: float
) -> Array:
    if not shaft_rad_s > 0.0:
        raise ValueError("the shaft speed must be above 0 rad/s")
    with np.errstate(divide="ignore", over="ignore"):
        ratio = np.where(speed > 0.0, shaft_rad_s * rotor.radius_m / speed, np.inf)
    curve = rotor.curve
    found = np.interp(ratio, curve.tip_speed_ratio, curve.power_coefficient, right=0.0)
    power = found * 0.5 * density_kg_m3 * rotor.area_m2 * speed**3
    running = (speed >= rotor.cut_in_m_s) & (speed <= rotor.cut_out_m_s)
    return np.where(running, np.minimum(power, rotor.rated_power_w), 0.0)


def best_fixed_speed(rotor: Rotor, speed_m_s: ArrayLike, density_kg_m3: float) -> float:
    """Shaft speed, rad/s, that gives a rotor held at it the most energy in a series of speeds.

    Found on a histogram of the speeds, within 1 %. Where no speed reaches cut-in, the speed of the
    best tip speed ratio there.
    """
    speed = np.asarray(speed_m_s, dtype=np.float64)
    ratio, _ = rotor.curve.best
    least, most = max(rotor.cut_in_m_s, 0.1), float(speed.max(initial=0.0))
    count, edges = np.histogram(speed, bins=400, range=(0.0, max(most, least)))
    middle = 0.5 * (edges[1:] + edges[:-1])
    shafts = np.geomspace(0.5 * least, max(most, 2.0 * least), 400) * ratio / rotor.radius_m
    power = [count @ _fixed_speed_power(rotor, middle, density_kg_m3, w) for w in shafts]
    best = int(np.argmax(power))
    return float(shafts[best]) if power[best] > 0.0 else ratio * least / rotor.radius_m


def directed_speed(u_m_s: ArrayLike, v_m_s: ArrayLike, weight: ArrayLike | None) -> Array:
    """Speed a shrouded rotor sees: |u| times the cube root of its direction weight w(theta).

    ``weight`` (k,) holds w at k equal steps of the direction the air moves to, from +x towards +y,
    0 to 1, straight between (periodic); None: an open rotor, 1 everywhere. Raises ValueError for
    weights outside 0..1.
    """
    u, v = (np.asarray(a, dtype=np.float64) for a in (u_m_s, v_m_s))
    speed = np.hypot(u, v)
    if weight is None:
        return speed
    table = np.asarray(weight, dtype=np.float64)
    if table.ndim != 1 or table.size < 1 or not np.all((table >= 0.0) & (table <= 1.0)):
        raise ValueError("direction weights must be between 0 and 1")
    place = np.arctan2(v, u) / (2.0 * np.pi) * table.size
    nodes = np.arange(table.size)
    return speed * np.cbrt(np.interp(place, nodes, table, period=table.size))


def _series(speed_m_s: ArrayLike, dt_s: float) -> Array:
    speed = np.asarray(speed_m_s, dtype=np.float64)
    if speed.ndim != 1 or speed.size == 0:
        raise ValueError("a series of speeds is needed")
    if not (speed.min() >= 0.0 and np.isfinite(speed.max())):
        raise ValueError("speeds must be finite and at least 0 m/s")
    if not dt_s > 0.0:
        raise ValueError("the time step must be above 0 s")
    return speed


def _response(
    rotor: Rotor, speed: Array, dt_s: float, density: float, captured: float, generated: float,
    friction: float, change: float, shaft: Array, power: Array,
) -> Response:  # fmt: skip
    flux = 0.5 * density * rotor.area_m2 * float(np.sum(speed**3)) * dt_s
    return Response(
        available_j=flux,
        captured_j=float(captured),
        generated_j=float(generated),
        friction_j=float(friction),
        kinetic_change_j=float(change),
        electrical_j=float(generated) * rotor.conversion,
        duration_s=speed.size * dt_s,
        shaft_speed_rad_s=shaft,
        generated_w=power,
    )


def capture_ratio(
    rotor: Rotor,
    pulse_over_time_constant: ArrayLike,
    slow_over_fast: float = 0.5,
    speed_m_s: float = 2.0,
    density_kg_m3: float = 1.225,
) -> Array:
    """Capture ratio (n,) of square pulses of lengths (n,), in time constants at their speed.

    Raises ValueError unless the slow air is slower than the pulse and moves.
    """
    if not 0.0 < slow_over_fast < 1.0:
        raise ValueError("slow_over_fast must be above 0 and below 1")
    rotor = replace(rotor, cut_in_m_s=0.0)
    lengths = np.atleast_1d(np.asarray(pulse_over_time_constant, dtype=np.float64))
    constant = rotor.time_constant_s(speed_m_s, density_kg_m3)
    slow = slow_over_fast * speed_m_s
    step = constant / _PULSE_STEPS
    ratio, best = rotor.curve.best
    rest = ratio * slow / rotor.radius_m
    steady = 0.5 * density_kg_m3 * rotor.area_m2 * best
    out = np.empty(lengths.size)
    for k, length in enumerate(lengths):
        count = max(1, round(length * _PULSE_STEPS))
        dt = length * constant / count
        pulse = inertial(rotor, np.full(count, speed_m_s), dt, density_kg_m3, start_rad_s=rest)
        tail_count = round(_SETTLE * _PULSE_STEPS / slow_over_fast)
        tail = inertial(
            rotor, np.full(tail_count, slow), step, density_kg_m3,
            start_rad_s=float(pulse.shaft_speed_rad_s[-1]),
        )  # fmt: skip
        usual = steady * slow**3
        extra = pulse.generated_j - usual * pulse.duration_s
        extra += tail.generated_j - usual * tail.duration_s
        out[k] = extra / (steady * (speed_m_s**3 - slow**3) * pulse.duration_s)
    return out
