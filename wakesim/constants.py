"""Every empirical constant once: symbol, value, unit, range, origin, and how it is moved.

Light: read by the tables of a case and by the physics alike. What else needs a constant takes it
from here: the defaults and allowed ranges of a case's [model] (wakesim.case.settings), the values
that a run may move (``WakeConstants``), the model interval (wakesim.measures.model_interval), the
uncertain yield (wakesim.energy.samples), the calibration (wakesim.validation.calibration), and
shared/empirical_constants.csv, which is written by

    python -m wakesim.constants > shared/empirical_constants.csv

A new constant is a row ``NAME = Constant(...)`` below and ``constants.NAME.value`` where the
physics uses it. To make it uncertain, give its row an ``Input`` in place of the range and make it a
field of ``WakeConstants``, from which the physics then takes it.
"""

from __future__ import annotations

import csv
import io
import re
import sys
import tomllib
from collections.abc import Iterator
from dataclasses import dataclass

from wakesim.runtime import shared_path

READ = "read"
DERIVED = "derived"
SECOND_HAND = "second hand"
FROM_MEMORY = "from memory"
ASSUMED = "assumed"
FITTED = "fitted"
STATUSES = (READ, DERIVED, SECOND_HAND, FROM_MEMORY, ASSUMED, FITTED)

Ends = tuple[float, float]


@dataclass(frozen=True)
class Input:
    """An uncertain input: one cause, which may move several constants at once.

    ``key`` is its name in programs, ``name`` that for people. ``ends`` of its range, evenly spread
    between them by ``scale``: linear, log (in the logarithm) or choice. ``text`` describes a value,
    one text or one for each end (then of the value without its sign). ``how``: the value is a
    factor on the constants whose rows name this input, or what they are set to. ``setting``: the
    field of the pass fields' settings that takes the value instead. ``role``: counted in the model
    interval and drawn for the uncertain yield; hull, counted with the hulls' flow computed anew;
    shown beside the interval; or of the yield alone. ``law``: the wake law that has it, empty for
    all.
    """

    key: str
    name: str
    ends: Ends
    scale: str
    origin: str
    text: str | tuple[str, str] = "× {:g}"
    how: str = "factor"
    setting: str = ""
    role: str = "counted"
    law: str = ""

    @property
    def unit(self) -> str:
        """The unit of a value, as its text has it: m, m/s, s, or "" for a factor."""
        text = self.text if isinstance(self.text, str) else self.text[0]
        found = re.search(r"\{:g\} (m/s|m|s)\b", text)
        return found[1] if found else ""

    def describe(self, value: float) -> str:
        """A value in words, with its unit."""
        if isinstance(self.text, str):
            return self.text.format(value)
        return self.text[value > 0.5 * sum(self.ends)].format(abs(value))


@dataclass(frozen=True)
class Constant:
    """A row of the table.

    ``range`` is (low, high), or the input that moves the constant, by factors on it to the power
    ``power`` (2: a variance that a factor on the rms moves). ``status`` is how it was obtained, one
    of ``STATUSES``, ``origin`` from what. ``comparator``: the default law does not use it.
    ``allowed``: what a case may set in [model], with its ``meaning`` for the reference of keys.
    """

    name: str
    symbol: str
    value: float
    unit: str
    range: Ends | Input
    status: str
    origin: str = "no published source"
    power: int = 1
    comparator: bool = False
    allowed: Ends | None = None
    meaning: str = ""

    @property
    def ends(self) -> Ends:
        """Low and high end of the range, in the constant's unit."""
        if not isinstance(self.range, Input):
            return self.range
        low, high = self.range.ends
        if self.range.how == "set":
            return low, high
        return self.value * low**self.power, self.value * high**self.power

    @property
    def interval(self) -> str:
        """Whether the model interval of the default law moves it: yes, beside (shown), or no."""
        moved = self.range
        if not isinstance(moved, Input) or self.comparator or moved.law not in ("", DEFAULT_LAW):
            return "no"
        return "beside" if moved.role == "beside" else "yes"


# --- uncertain inputs -------------------------------------------------------------------------
# fmt: off

MIXING_OF_FAR_WAKES = Input(
    "mixing_of_far_wakes", "mixing of far wakes", (0.5, 4.0), "log",
    "standard closure to what makes the box truck's wake exact",
    "weak-shear factor {:g}", how="set", law="section")
START_OF_THE_WAKE = Input(
    "start_of_the_wake", "start of the wake", (0.5, 2.0), "log",
    "turbulent energy at the bubble's end, Ahmed body and vehicles on the road",
    "k₀ × {:g}", law="section")
SIDE_LAYER = Input(
    "side_layer", "side layer", (0.4, 1.4), "linear",
    "from no corner separation to the largest gust measured",
    "share and energy × {:g}", law="section")
SPREAD_OF_COUPLE_WAKE = Input(
    "spread_of_couple_wake", "spread of the couple wake", (0.7, 1.4), "linear",
    "range of the law", law="couple")
SPREAD_OF_MOMENTUM_WAKE = Input(
    "spread_of_momentum_wake", "spread of the momentum wake", (0.5, 2.0), "linear",
    "range of the law", law="momentum")
MIXING_OF_THE_ROADS_AIR = Input(
    "mixing_of_the_roads_air", "mixing of the road's air", (0.6, 1.6), "log",
    "spread of closures, assumed", "eddy viscosity × {:g}", setting="mixing_factor")
ROUGHNESS_OF_THE_ROAD = Input(
    "roughness_of_the_road", "roughness of the road", (0.3, 3.0), "log",
    "an order of magnitude, assumed", setting="road_roughness_factor")
ROUGHNESS_OF_THE_VERGE = Input(
    "roughness_of_the_verge", "roughness of the verge", (0.3, 3.0), "log",
    "an order of magnitude, assumed", setting="verge_roughness_factor")
DRAG_COEFFICIENTS = Input(  # the place between the ends of each class's range
    "drag_coefficients", "drag coefficients", (0.0, 1.0), "linear", "range of each class",
    ("low end of each class", "high end of each class"))
VEHICLE_DIMENSIONS = Input(
    "vehicle_dimensions", "vehicle dimensions", (0.95, 1.05), "linear", "assumed")
RECIRCULATION_LENGTH = Input(
    "recirculation_length", "recirculation length", (0.7, 1.6), "linear", "published range",
    "{:g} vehicle heights", how="set")
WAKE_TURBULENCE = Input(
    "wake_turbulence", "wake turbulence", (0.75, 1.3), "linear",
    "turbulent energy measured on roads, about a factor of two", "rms × {:g}")
LANE_POSITION = Input(
    "lane_position", "lane position", (-0.25, 0.25), "linear", "assumed",
    ("{:g} m nearer", "{:g} m farther"), how="set", setting="lateral_shift_m")
TAIL = Input(  # the interval tries the other one
    "tail", "tail of the hull", (0.0, 1.0), "choice", "separated or closed", ("closed", "open"),
    how="set", setting="open_tail", role="hull")
WAKE_MEMORY = Input(
    "wake_memory", "wake memory", (15.0, 120.0), "choice",
    "no physics: the mean does not depend on it", "{:g} s",
    how="set", setting="wake_memory_s", role="beside")
LIGHT_CROSSWIND = Input(
    "light_crosswind", "light crosswind", (-0.5, 0.5), "choice", "air that is not quite still",
    ("{:g} m/s towards −y", "{:g} m/s towards +y"),
    how="set", setting="extra_crosswind_m_s", role="beside")
TRAFFIC_FLOW = Input(  # error of a traffic count
    "traffic_flow", "traffic flow", (0.9, 1.1), "linear", "assumed", role="yield")
HEAVY_SHARE = Input(
    "heavy_share", "share of heavy vehicles", (0.8, 1.2), "linear", "assumed", role="yield")
VEHICLE_SPEEDS = Input(
    "vehicle_speeds", "vehicle speeds", (0.95, 1.05), "linear", "assumed", role="yield")
POWER_COEFFICIENT = Input(  # as a share of the best; a rotor type has a range of its own
    "power_coefficient", "power coefficient", (0.8, 1.2), "linear", "of the rotor type",
    role="yield")
POWER_CURVE = Input(
    "power_curve", "power curve", (0.8, 1.1), "linear", "assumed", role="yield")
WIND_SPEED = Input(
    "wind_speed", "ambient wind speed", (0.9, 1.1), "linear", "assumed", role="yield")

# --- constants --------------------------------------------------------------------------------

# The marched wake: mixing, start and side layer.
WEAK_SHEAR_MIXING = Constant(
    "mixing of far wakes", "a_g", 1.5, "1 (on g − 1)", MIXING_OF_FAR_WAKES, FITTED,
    "weak-shear correction after Rodi 1976 (from memory; 1 is the published form); chosen by hand "
    "with the decay of road wakes and spheroid; from the standard closure nearly to what makes the "
    "wake of a box truck exact",
    allowed=(0.1, 10),
    meaning="scales the mixing of far wakes beyond the standard closure")
TURBULENCE_DECAY_C2 = Constant(
    "decay of turbulence in the closure", "C2", 2.2, "1", (1.92, 2.4), FITTED,
    "k as t^(−1/(C2 − 1)): 1.92 of Launder and Spalding 1974 gives −1.09; 2.2 gives −0.83 in time "
    "and with spreading about −1.3 behind vehicles; range assumed")
WAKE_START_ENERGY = Constant(
    "turbulent energy at the bubble's end", "k0/V²", 0.02, "1", START_OF_THE_WAKE, FITTED,
    "chosen by hand with turbulence measured over roads and the decay of road wakes; peaks behind "
    "the 25° Ahmed body",
    allowed=(0.001, 0.3),
    meaning="turbulent energy at the bubble's end over the speed squared")
SIDE_LAYER_SHARE = Constant(
    "share of the drag in the side layer", "s", 0.25, "1 (of ½ C_D A_f)", SIDE_LAYER, FITTED,
    "chosen by hand with the largest gust beside a lorry and the motorcycle, with the energy "
    "below; range from no corner separation to the largest gust",
    allowed=(0, 0.6),
    meaning="share of the drag that the air beside the vehicle carries")
SIDE_LAYER_ENERGY = Constant(
    "energy of the corner's separation", "–", 0.45, "1 (of the drag's work)", SIDE_LAYER, FITTED,
    "chosen by hand with the largest gust beside a lorry (SAE 2007-01-0758, abstract)",
    allowed=(0, 1),
    meaning="share of the drag's work that is turbulence of the corner's separation")
SIDE_LAYER_WIDTHS = Constant(
    "thickness of the side layer", "–", 0.15, "vehicle widths", (0.08, 0.3), ASSUMED,
    "no published source for vehicles; displacement thickness beside freight trains 0.5 to 3 m as "
    "an upper bound")
SIDE_LAYER_NOSE_SHARE = Constant(
    "share of the side layer's momentum at the nose", "–", 0.5, "1", (0.2, 0.8), ASSUMED)
WAKE_START_LENGTH = Constant(
    "length scale of the turbulence at the bubble's end", "–", 0.2, "smaller side of the base",
    (0.1, 0.4), ASSUMED)
WAKE_ROAD_ROUGHNESS_M = Constant(
    "roughness length of the road under a marched wake", "z0", 0.002, "m", (0.0005, 0.003),
    ASSUMED,
    "paved road with its texture; momentum left after 30 s moves by 0.05 over the range")
BACKGROUND_HEIGHT_M = Constant(
    "height over which the background's eddy viscosity grows", "–", 0.3, "m", (0.1, 0.6),
    DERIVED,
    "shape of the mean traffic's own balance")
BACKGROUND_FRICTION = Constant(
    "friction velocity over the background's eddy viscosity", "–", 1.2, "1/m", (0.6, 2.4),
    DERIVED,
    "shape of the mean traffic's own balance")
ROAD_ENTRY_ROOTS = Constant(
    "distance behind the bubble where a wake enters the road's balance", "–", 5.0,
    "roots of the base area", (3.0, 10.0), ASSUMED,
    "assumed; no published source")

# The closure and the road's mean air.
CLOSURE_C_MU = Constant(
    "eddy viscosity of the closure", "c_µ", 0.09, "1", (0.07, 0.11), FROM_MEMORY,
    "Launder and Spalding 1974; range assumed")
CLOSURE_C1 = Constant(
    "production of dissipation", "C1", 1.44, "1", (1.4, 1.5), FROM_MEMORY,
    "Launder and Spalding 1974; range assumed")
CLOSURE_SIGMA_K = Constant(
    "diffusion of k", "σ_k", 1.0, "1", (0.7, 1.3), FROM_MEMORY,
    "Launder and Spalding 1974; range assumed")
CLOSURE_SIGMA_EPS = Constant(
    "diffusion of dissipation", "σ_ε", 1.3, "1", (1.1, 1.5), FROM_MEMORY,
    "Launder and Spalding 1974; range assumed")
RODI_W = Constant(
    "weak-shear form: return to isotropy", "w", 2.8, "1", (1.8, 3.5), FROM_MEMORY,
    "Rodi 1976; range assumed")
RODI_B = Constant(
    "weak-shear form: rapid part", "b", 0.55, "1", (0.45, 0.65), FROM_MEMORY,
    "Rodi 1976; range assumed")
LEAST_K = Constant(
    "least turbulent energy", "–", 1e-09, "m²/s²", (1e-12, 1e-06), ASSUMED,
    "keeps still air regular; its eddy viscosity is 9e-8 m²/s")
LEAST_EPS = Constant(
    "least dissipation", "–", 1e-12, "m²/s³", (1e-15, 1e-09), ASSUMED,
    "keeps still air regular")
MIXING_FACTOR = Constant(
    "factor on the eddy viscosity of the road's mean traffic", "–", 1.0, "1",
    MIXING_OF_THE_ROADS_AIR, ASSUMED,
    "spread of closures, assumed")
LARGEST_VISCOSITY_M2_S = Constant(
    "largest eddy viscosity of the road's air", "–", 20.0, "m²/s", (5.0, 50.0), ASSUMED,
    "cap, no published source")
RESIDUAL_FRICTION_VELOCITY_M_S = Constant(
    "friction velocity of air that passes for still", "u*", 0.02, "m/s", (0.005, 0.05), ASSUMED,
    "that of a wind of 0.3 m/s at 10 m over open land")

# Similarity laws of the wake, the bubble and the turbulence in a wake.
COUPLE_SPREAD = Constant(
    "spread of the couple wake", "λ", 1.1, "1", SPREAD_OF_COUPLE_WAKE, FROM_MEMORY,
    "comparator, no run uses it unless the law is chosen; Eskridge and Hunt 1979 for the law; the "
    "value from memory and the drag balance, factors 0.7 and 1.4 from memory",
    allowed=(0.5, 2),
    meaning="spreading constant of the couple wake (about 1.1 from memory and the drag balance)")
MOMENTUM_SPREAD = Constant(
    "spread of the momentum wake", "S", 0.4, "1", SPREAD_OF_MOMENTUM_WAKE, FROM_MEMORY,
    "comparator, no run uses it unless the law is chosen; Pope 2000 section 5.4 for the law; bluff "
    "vehicle, published 0.064 to 0.8 for bodies of all shapes",
    allowed=(0.05, 1),
    meaning="that of the momentum wake (bluff vehicle about 0.4)")
BUBBLE_LENGTH_HEIGHTS = Constant(
    "recirculation length", "L_b/h", 1.4, "vehicle heights", RECIRCULATION_LENGTH, FROM_MEMORY,
    "squareback body, Grandemange et al. 2013; published range",
    allowed=(0.3, 3),
    meaning="recirculation length (squareback 1.4 heights, from memory)")
REVERSED_FLOW = Constant(
    "reversed flow in the bubble", "–", 0.35, "1 (share of V)", (0.2, 0.4), DERIVED,
    "peak behind the 25° Ahmed body, Lienhart and Becker 2003; range assumed",
    allowed=(0, 1),
    meaning="its backward speed as a share of the vehicle's")
SHEAR_HEIGHTS = Constant(
    "shear layer at the base", "–", 0.05, "vehicle heights", (0.02, 0.1), ASSUMED)
SHEAR_GROWTH = Constant(
    "growth of the shear layer along the bubble", "–", 0.12, "1", (0.05, 0.2), ASSUMED,
    "about that of a plane mixing layer; no source read")
DRAG_HEIGHT = Constant(
    "height of the drag's line of action", "z_D/h", 0.5, "vehicle heights", (0.4, 0.6), ASSUMED,
    "comparator (couple law); Eskridge and Hunt 1979 leave it open; half the height taken")
NET_SOURCE_FACTOR = Constant(
    "net source of the open tail", "–", 1.0, "1 (of ½ C_D A_f)", (0.0, 2.0), DERIVED,
    "Betz 1925; 0 is a closed body, which the model interval tries as the other kind of tail; "
    "upper end assumed")
TURBULENCE_NEAR = Constant(
    "near level of the wake turbulence", "k_n/V²", 0.115, "1", WAKE_TURBULENCE, FITTED,
    "within the bubble; fitted by hand to peaks behind the 25° Ahmed body, Lienhart and Becker "
    "2003; range is that of the rms, squared",
    power=2)
TURBULENCE_FAR = Constant(
    "far level of the wake turbulence", "k/V² at x = h per C_D A_f/h²", 0.165, "1",
    WAKE_TURBULENCE, FITTED,
    "comparator (couple and momentum law); as the near level; its proportion to drag is assumed",
    power=2, comparator=True)
TURBULENCE_FACTOR = Constant(
    "factor on the rms of the wake turbulence", "–", 1.0, "1", WAKE_TURBULENCE, ASSUMED,
    "moves all wake turbulence; turbulent energy measured on roads, about a factor of two",
    allowed=(0, 3),
    meaning="scales the wake turbulence (rms)")
TURBULENCE_DECAY = Constant(
    "decay of the wake turbulence", "–", 1.2, "1 (exponent of k)", (1.0, 1.33), READ,
    "comparator (couple and momentum law); Eskridge and Thompson 1982 (EPA-600/3-82-007, figure "
    "partly lost in the copy read); range assumed")
TURBULENCE_KNEE = Constant(
    "sharpness of the passage from near to far level", "–", 4, "1", (2.0, 8.0), ASSUMED,
    "comparator (couple and momentum law); no published source")
SHARE_U = Constant(
    "share of u in 2k", "–", 0.4, "1", (0.33, 0.45), DERIVED,
    "rms and energy peaks behind the 25° Ahmed body give 0.33 to 0.41; upper end assumed")
SHARE_V = Constant(
    "share of v in 2k", "–", 0.32, "1", (0.25, 0.4), ASSUMED)
SHARE_W = Constant(
    "share of w in 2k", "–", 0.28, "1", (0.2, 0.35), ASSUMED)
TURBULENCE_WIDTH = Constant(
    "lateral width of the turbulence over that of the mean wake", "–", 1.1, "1", (1.0, 1.5),
    ASSUMED,
    "comparator (couple and momentum law); no published source")
TURBULENCE_RISE = Constant(
    "vertical width of the turbulence over that of the mean wake", "–", 1.1, "1", (1.1, 1.5),
    ASSUMED,
    "comparator (couple and momentum law); no published source; 1.5 suits on-road data "
    "(shared/reference/on_road_tke.csv)")
TURBULENCE_CENTRE = Constant(
    "height of the centre of the turbulence", "–", 0.5, "vehicle heights", (0.5, 0.8), ASSUMED,
    "comparator (couple and momentum law); 0.8 with a vertical width of 1.5 times the mean wake "
    "suits on-road data (shared/reference/on_road_tke.csv)")
TURBULENCE_ONSET = Constant(
    "distance over which the turbulence sets in", "–", 0.25, "vehicle heights", (0.1, 0.5),
    ASSUMED)
TURBULENCE_BASE = Constant(
    "least standard deviation of the turbulence", "–", 0.3, "base dimensions", (0.2, 0.5),
    ASSUMED,
    "comparator (couple and momentum law); no published source")
TURBULENCE_TIME_S = Constant(
    "time scale of the wake turbulence at a point", "T", 0.2, "s", (0.05, 0.3), DERIVED,
    "most variance above 0.5 Hz, Eskridge and Rao 1983 (abstract); the effective speed does not "
    "depend on it; range assumed")
MEMORY_FADE = Constant(
    "fade of the wake memory", "–", 0.1, "1 (share of the memory)", (0.05, 0.3), ASSUMED,
    "hand-over, not physics")

# Comparator: mixing by a fitted formula.
TRAFFIC_SHARE = Constant(
    "vertical turbulence made by traffic", "b", 0.3, "1 (of V √D)", (0.15, 0.45), SECOND_HAND,
    "comparator (fitted formula of K), no run uses it; Berkowicz 2000, streets between buildings, "
    "second hand, from a published program of the scheme; there with areas of 2 and 16 m² for a "
    "car and a truck, here with the plan area; range assumed and within that of K")
MIXING_COEFFICIENT = Constant(
    "eddy diffusivity over σ_w0 times the mixing length", "c", 0.3, "1", (0.1, 0.9), FITTED,
    "comparator (fitted formula of K), no run uses it; chosen for agreement with the mixed layer "
    "over main roads; a third to three times, engineering estimate")
MIXING_LENGTH_HEIGHTS = Constant(
    "mixing length of the traffic's turbulence", "l/h", 0.5, "vehicle heights", (0.25, 1.0),
    ASSUMED,
    "comparator (fitted formula of K), no run uses it; no published source; within the range of K")

# Ground and ambient air.
VON_KARMAN = Constant(
    "von Kármán constant", "κ", 0.4, "1", (0.38, 0.42), FROM_MEMORY,
    "surface-layer value")
ROUGHNESS_ROAD_M = Constant(
    "roughness length of the road", "z0", 0.001, "m", ROUGHNESS_OF_THE_ROAD, ASSUMED,
    "between the classes paved and smooth; an order of magnitude, assumed")
ROUGHNESS_VERGE_M = Constant(
    "roughness length of the verge", "z0", 0.03, "m", ROUGHNESS_OF_THE_VERGE, ASSUMED,
    "class open of the roughness table; an order of magnitude, assumed")
EXTRA_CROSSWIND_M_S = Constant(
    "light crosswind in still air", "v_c", 0.0, "m/s", LIGHT_CROSSWIND, ASSUMED,
    "air that passes for still; no published source")
WIND_MIXING_HEIGHT_M = Constant(
    "height at which the wind's mixing widens wakes", "–", 1.5, "m", (0.75, 2.5), ASSUMED,
    "about half the height of traffic; no published source")
WIND_ROUGHNESS_M = Constant(
    "roughness length under the wind when none is given", "z0", 0.03, "m", (0.005, 0.25),
    ASSUMED,
    "class open; classes smooth to rough")
WIND_EXPONENT = Constant(
    "exponent of the power law when none is given", "α", 0.14, "1", (0.1, 0.4), FROM_MEMORY,
    "usual value over open land; range of the roughness table at 3 m up to rough")
AMBIENT_LENGTH_HEIGHTS = Constant(
    "length of the ambient turbulence over height", "–", 2.45, "1", (1.0, 8.0), FROM_MEMORY,
    "3.5 × 0.7, von Kármán form of IEC 61400-1; range assumed")

# Hulls.
NOSE_RADIUS_BOX = Constant(
    "nose radius of a box", "–", 0.1, "smaller frontal dimension", (0.03, 0.3), ASSUMED)
NOSE_RADIUS_BONNET = Constant(
    "nose radius of bonnet and cabin", "–", 0.16, "smaller frontal dimension", (0.05, 0.3),
    ASSUMED)
EDGE_RADIUS = Constant(
    "radius of the long edges", "–", 0.1, "smaller frontal dimension", (0.02, 0.2), ASSUMED)
TAIL_RADIUS = Constant(
    "radius of the tail's edges", "–", 0.03, "smaller frontal dimension", (0.01, 0.1), ASSUMED,
    "a sharp edge fixes the separation; no published source")
BONNET_NOSE_HEIGHT = Constant(
    "bonnet and cabin: height of the nose", "–", 0.5, "body heights", (0.4, 0.6), ASSUMED,
    "generic saloon or hatchback")
WINDSCREEN_FOOT_PLACE = Constant(
    "bonnet and cabin: place of the foot of the windscreen", "–", 0.24, "vehicle lengths",
    (0.19, 0.29), ASSUMED,
    "generic saloon or hatchback")
WINDSCREEN_FOOT_HEIGHT = Constant(
    "bonnet and cabin: height of the foot of the windscreen", "–", 0.62, "body heights",
    (0.52, 0.72), ASSUMED,
    "generic saloon or hatchback")
WINDSCREEN_TOP_PLACE = Constant(
    "bonnet and cabin: place of the top of the windscreen", "–", 0.42, "vehicle lengths",
    (0.37, 0.47), ASSUMED,
    "generic saloon or hatchback")
ROOF_END_PLACE = Constant(
    "bonnet and cabin: place of the rear end of the roof", "–", 0.72, "vehicle lengths",
    (0.67, 0.77), ASSUMED,
    "generic saloon or hatchback")
REAR_DECK_PLACE = Constant(
    "bonnet and cabin: place of the rear deck", "–", 0.95, "vehicle lengths", (0.9, 1.0),
    ASSUMED,
    "generic saloon or hatchback")
REAR_DECK_HEIGHT = Constant(
    "bonnet and cabin: height of the rear deck", "–", 0.82, "body heights", (0.72, 0.92),
    ASSUMED,
    "generic saloon or hatchback")
BONNET_TAIL_HEIGHT = Constant(
    "bonnet and cabin: height of the tail", "–", 0.8, "body heights", (0.7, 0.9), ASSUMED,
    "generic saloon or hatchback")
PLANE_CORNER_RADIUS = Constant(
    "corner radius of the plan outline", "–", 0.15, "vehicle widths", (0.05, 0.3), ASSUMED)
DIMENSIONS_FACTOR = Constant(
    "factor on all outside dimensions", "–", 1.0, "1", VEHICLE_DIMENSIONS, ASSUMED)

# Traffic.
LATERAL_SHIFT_M = Constant(
    "shift of all vehicles in their lane", "–", 0.0, "m", LANE_POSITION, ASSUMED)
WANDER_SD_M = Constant(
    "sd of the lateral wander", "–", 0.25, "m", (0.15, 0.4), FROM_MEMORY,
    "motorway lanes; range assumed")
TRUNCATION_SD = Constant(
    "cut of speed and wander distributions", "–", 3.0, "standard deviations", (2.0, 4.0),
    ASSUMED)
SLOWEST_M_S = Constant(
    "slowest speed of the method", "–", 5.0, "m/s", (3.0, 10.0), ASSUMED,
    "dense jams are outside the method")
DRAFT_DEPTH = Constant(
    "drafting: depth", "–", 0.43, "1 (of the drag)", (0.3, 0.5), READ,
    "two vans half a length apart, Cerutti et al. 2021; off unless asked for; range assumed")
DRAFT_NEAREST = Constant(
    "drafting: nearest gap measured", "–", 0.5, "follower's lengths", (0.3, 1.0), READ,
    "Cerutti et al. 2021; range assumed")
DRAFT_DECAY = Constant(
    "drafting: decay with the gap", "–", 4.2, "follower's lengths", (2.5, 7.0), FITTED,
    "fitted to the mean of both vans at 3 lengths, Cerutti et al. 2021; range assumed")
BUSY_LANE_VEH_H = Constant(
    "capacity of a lane above which a warning is given", "–", 2400.0, "vehicles/h",
    (2000.0, 2600.0), FROM_MEMORY,
    "motorway lane; range assumed")
UNKNOWN_SPEED_M_S = Constant(
    "speed of a single pass of a class without one", "–", 25.0, "m/s", (15.0, 35.0), ASSUMED)

# What is flagged, and what is taken where nothing is given.
GUST_AVERAGING_S = Constant(
    "averaging time of gusts", "–", 3.0, "s", (1.0, 10.0), FROM_MEMORY,
    "World Meteorological Organization, Guide to Instruments, No. 8")
CUT_IN_M_S = Constant(
    "cut-in speed", "–", 1.2, "m/s", (0.5, 3.5), ASSUMED,
    "common practice, no published source")
VALID_CLEARANCE_M = Constant(
    "clearance below which results are flagged", "–", 0.5, "m", (0.3, 1.0), ASSUMED)
CALM_BELOW_M_S = Constant(
    "calm below", "–", 0.5, "m/s", (0.25, 1.0), FROM_MEMORY,
    "reporting practice of weather stations (1 kn); range assumed")
DRAG_LOW_FACTOR = Constant(
    "low factor on the drag where a vehicle has no range", "–", 0.85, "1", (0.7, 1.0), ASSUMED,
    "the end the model interval tries; no published source")
DRAG_HIGH_FACTOR = Constant(
    "high factor on the drag where a vehicle has no range", "–", 1.15, "1", (1.0, 1.3), ASSUMED,
    "the end the model interval tries; no published source")

# Rotor, load and energy.
RIM_DENSITY_KG_M2 = Constant(
    "mass of a small rotor", "–", 4.0, "kg/m² swept", (1.5, 10.0), ASSUMED,
    "all of it at the radius; no published source")
GENERATOR_EFFICIENCY = Constant(
    "generator efficiency", "–", 0.8, "1", (0.5, 0.92), ASSUMED,
    "small generators, no published source")
CONVERTER_EFFICIENCY = Constant(
    "converter efficiency", "–", 0.9, "1", (0.7, 0.97), ASSUMED,
    "small converters; no published source")
BATTERY_EFFICIENCY = Constant(
    "battery round trip", "–", 0.85, "1", (0.7, 0.95), FROM_MEMORY,
    "lead-acid to lithium")
YEAR_TURBULENCE_INTENSITY = Constant(
    "turbulence intensity of the winds of a year", "–", 0.15, "1", (0.08, 0.3), ASSUMED,
    "open land near the ground")
WIND_SPELL_H = Constant(
    "mean spell of one wind", "–", 6.0, "h", (2.0, 24.0), ASSUMED,
    "no published source; matters to a load alone")
WIND_YEARS_SD = Constant(
    "spread of the mean wind from year to year", "–", 0.06, "1", (0.04, 0.08), FROM_MEMORY,
    "usual for north-west Europe; a record of one year cannot show it")
THRUST_COEFFICIENT = Constant(
    "thrust coefficient of a rotor in a row", "C_T", 0.6, "1", (0.3, 0.9), ASSUMED,
    "lower estimate of a row")
ROTOR_WAKE_SPREAD = Constant(
    "spread of the wake behind a rotor", "S", 0.5, "1", (0.1, 0.8), FROM_MEMORY,
    "as behind a sphere, Pope 2000 section 5.4")
ROTOR_DRAG_AREA_SHARE = Constant(
    "drag area of rotor and post", "C_d A/A", 1.2, "1", (0.8, 2.0), ASSUMED,
    "a closed plate; indicative loads, no design value")
AMBIENT_GUST_M_S = Constant(
    "ambient gust beside the passing loads", "–", 35.0, "m/s", (25.0, 50.0), ASSUMED,
    "a storm in open land; the local code sets the real one")
DIESEL_KWH_PER_LITRE = Constant(
    "heating value of diesel", "–", 9.96, "kWh/l", (9.8, 10.1), FROM_MEMORY,
    "35.9 MJ/l, EN 590")
ENGINE_EFFICIENCY = Constant(
    "efficiency of a lorry's engine", "–", 0.4, "1", (0.33, 0.46), FROM_MEMORY,
    "motorway load")
ELECTRIC_EFFICIENCY = Constant(
    "efficiency of an electric vehicle", "–", 0.8, "1", (0.65, 0.9), FROM_MEMORY,
    "charging to wheel")

# fmt: on

INPUTS: tuple[Input, ...] = tuple(item for item in list(globals().values()) if type(item) is Input)
TABLE: dict[str, Constant] = {
    name.lower(): row for name, row in list(globals().items()) if type(row) is Constant
}
CASE_KEYS = tuple(key for key, row in TABLE.items() if row.allowed is not None)


@dataclass(frozen=True)
class WakeLaw:
    """A law of the mean wake as cases and reports name it.

    ``label`` in figures, ``text`` in reports; ``mixing``: the key of [model] that spreads its
    wakes; ``other``: the law a comparison is repeated with.
    """

    label: str
    text: str
    mixing: str
    other: str


WAKE_LAWS = {
    "section": WakeLaw(
        "marched",
        "marched through the road's cross-section (the road takes a tenth of its momentum in ten "
        "seconds)",
        "weak_shear_mixing", "couple",
    ),
    "couple": WakeLaw(
        "couple", "the couple wake, a comparator (the road holds the air back)",
        "couple_spread", "section",
    ),
    "momentum": WakeLaw(
        "momentum", "the momentum wake, a comparator (the air slides freely over the road)",
        "momentum_spread", "couple",
    ),
}  # fmt: skip
DEFAULT_LAW = "section"


@dataclass(frozen=True)
class WakeConstants:
    """Values of the constants that a run may move; every number is that of the row of its name.

    ``law``: section (marched, the default), or the comparators couple and momentum. ``coarse``:
    marched on fewer cells and steps, for changes only.
    """

    law: str = DEFAULT_LAW
    weak_shear_mixing: float = WEAK_SHEAR_MIXING.value
    turbulence_decay_c2: float = TURBULENCE_DECAY_C2.value
    wake_start_energy: float = WAKE_START_ENERGY.value
    side_layer_share: float = SIDE_LAYER_SHARE.value
    side_layer_energy: float = SIDE_LAYER_ENERGY.value
    couple_spread: float = COUPLE_SPREAD.value
    momentum_spread: float = MOMENTUM_SPREAD.value
    bubble_length_heights: float = BUBBLE_LENGTH_HEIGHTS.value
    reversed_flow: float = REVERSED_FLOW.value
    turbulence_factor: float = TURBULENCE_FACTOR.value
    turbulence_near: float = TURBULENCE_NEAR.value
    turbulence_far: float = TURBULENCE_FAR.value
    turbulence_centre: float = TURBULENCE_CENTRE.value
    turbulence_rise: float = TURBULENCE_RISE.value
    coarse: bool = False


def moved_by(item: Input) -> tuple[str, ...]:
    """Fields of ``WakeConstants`` that an input moves."""
    fields = WakeConstants.__dataclass_fields__
    return tuple(
        key for key, row in TABLE.items() if row.range == item and row.power == 1 and key in fields
    )


# --- the table as a file ----------------------------------------------------------------------

COLUMNS = ("key", "name", "symbol", "value", "unit", "low", "high", "interval", "status", "origin")


def table_rows() -> Iterator[tuple[str, ...]]:
    """All rows as texts, in the order of ``COLUMNS``, the vehicle classes' last."""
    for key, row in TABLE.items():
        yield (
            key, row.name, row.symbol, _number(row.value), row.unit, *map(_number, row.ends),
            row.interval, row.status, row.origin,
        )  # fmt: skip
    yield from _vehicle_rows()


def _vehicle_rows() -> Iterator[tuple[str, ...]]:
    """Drag and speeds of the vehicle classes, which stand in shared/vehicles.toml."""
    with shared_path("vehicles.toml").open("rb") as file:
        vehicles = tomllib.load(file)["vehicles"]
    for name, one in vehicles.items():
        yield (
            f"{name}.drag_coefficient", f"drag coefficient: {one['label']}", "C_D",
            _number(one["drag_coefficient"]), "1", *map(_number, one["drag_range"]), "yes",
            FROM_MEMORY, one["drag_source"],
        )  # fmt: skip
    for name, one in vehicles.items():
        source = one["speed_source"]
        known = DERIVED if "normal fit" in source else FROM_MEMORY
        by_analogy = source.startswith("by analogy")
        for key, words, low, high, status, more in (
            ("mean_speed_kmh", "mean speed", 0.9, 1.1, ASSUMED if by_analogy else known,
             "free motorway traffic; ± 10 % assumed"),
            ("speed_sd_kmh", "sd of speed", 0.6, 1.6,
             ASSUMED if "by analogy" in source else known, "range assumed"),
        ):  # fmt: skip
            ends = (f"{one[key] * factor:.1f}" for factor in (low, high))
            yield (
                f"{name}.{key}", f"{words}: {one['label']}", "–", _number(one[key]), "km/h", *ends,
                "no", status, f"{source}; {more}",
            )  # fmt: skip


def _number(value: float) -> str:
    return f"{value:.8g}"


def as_csv() -> str:
    """The text of shared/empirical_constants.csv."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(COLUMNS)
    writer.writerows(table_rows())
    return out.getvalue()


if __name__ == "__main__":
    sys.stdout.write(as_csv())
