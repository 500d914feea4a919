"""Every quantity of the outputs, once: its key, unit, meaning, and its variable in the data set.

A group is a set of quantities of one record: of a mount, of a pass, of a clock hour. ``place`` is
where the record stands in summary.json ("" where it does not), ``dims`` are the dimensions of its
variables in result.h5. The data set, result.h5, summary.json, the CSV tables, the report's table of
measures and ``outputs/README.md`` are all written from these rows. A new measure of a mount's
series is a row of ``measure`` here and a function of that name in ``measures/scalars.py``.

``python -m wakesim.quantities > wakesim/outputs/README.md`` writes the description of the files.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from typing import Any

MEAN = "time: mean"
OF_HOUR = "hour_of_record: mean"
LARGEST = "time: maximum"
# Comments, since CF has no cell method for a cube root of a mean cube.
CUBE = "cube root of the time mean of the cubed rotor-equivalent speed"
ROTOR = "cube root of the mean over the swept area of the cubed horizontal speed"

_READING = {
    "m s-1": "m/s", "W m-2": "W/m²", "m2 s-1": "m²/s", "m3 s-2": "m³/s²", "h-1": "veh/h",
    "degree": "°", "kg m-3": "kg/m³", "kg m2": "kg m²", "kW h": "kWh",
    "rad s-1": "rad/s", "percent": "%",
    "W m-1": "W/m", "1": "",
}  # fmt: skip


@dataclass(frozen=True)
class Quantity:
    """One quantity: ``key`` in summary.json and CSV files, ``name`` as a variable ("" for none).

    ``units`` as netCDF writes them, "1" for none and for words. ``source`` leads to the value from
    the group's record, as attributes joined by dots (the key when not given). ``dims`` are the
    dimensions of the variable, ``method`` its CF cell method, ``standard`` its CF standard name,
    ``comment`` what neither says, ``ancillary`` the variables that hold the ends of its intervals.
    """

    key: str
    units: str
    meaning: str
    name: str = ""
    method: str = ""
    source: str = ""
    dims: tuple[str, ...] = ()
    standard: str = ""
    comment: str = ""
    ancillary: str = ""

    @property
    def reading_unit(self) -> str:
        """The unit for people: m/s."""
        return _READING.get(self.units, self.units)

    @property
    def described(self) -> str:
        """Unit and meaning, as the head of a CSV file has them."""
        return ", ".join(filter(None, (self.reading_unit, self.meaning)))

    def of(self, record: Any) -> Any:
        """The value in a record of the group; a method on the way is called."""
        value = record
        for step in (self.source or self.key).split("."):
            value = value[int(step)] if step.isdigit() else getattr(value, step)
            value = value() if callable(value) else value
        return value


@dataclass(frozen=True)
class Group:
    """Quantities of one record."""

    name: str
    place: str
    dims: tuple[str, ...]
    meaning: str
    rows: tuple[Quantity, ...]


Q = Quantity
_WORDS = "1"
_M_S, _W, _KWH = "m s-1", "W", "kW h"
_MOUNT = ("mount",)
_HOUR = ("mount", "weekday_hour")
_RESPONSE = ("mount", "response")
_PASS = ("mount", "lane", "vehicle_class")
_DRIFT = ("mount", "drift_y", "drift_z")
_AIR = ", air of the case"
_SPECTRUM = "one-sided power spectral density of the velocity along the road at the centre"
_FACES = "offset of the wall from the near-side edge line"

# fmt: off
_GROUPS = (
    Group("root", "", (), "of every summary", (
        Q("format_version", "1", "integer, raised when a key changes its meaning"),
        Q("title", _WORDS, "title of the case"),
        Q("study", _WORDS, "what was computed: traffic, single_pass, mounting_map, lookup_table, "
          "single_pass_table or year"),
        Q("invented_data", "1", "true when the case describes a place that does not exist"),
        Q("air_density_kg_m3", "kg m-3", "density of the air", "air_density",
          standard="air_density"),
        Q("warnings", _WORDS, "list of sentences about the whole result"),
        Q("cautions", _WORDS, "list of sentences: what the result must not be used for"),
        Q("limits", _WORDS, "list of sentences: what is not modelled"),
        Q("provenance", _WORDS, "program, version, case_text, case_sha256, inputs_sha256 (case "
          "text, seed, version and vehicle data; the same on every machine), seed, created_utc, "
          "python, platform, libraries, and whatever else the run recorded"),
        Q("tables", _WORDS, "list of file and note: what each CSV table holds; its columns are in "
          "columns.csv"),
        Q("files", _WORDS, "names of the files written with this summary, relative to its folder"),
    )),
    Group("run", "run", (), "how it was computed; passes and rounds with traffic and single passes,"
          " failed in the studies of many states", (
        Q("rounds", "1", "rounds simulated"),
        Q("simulated_s", "s", "all rounds together"),
        Q("passes_total", "1", "passes simulated"),
        Q("tolerance", "1", "asked relative half-width of the sampling interval, 90 %"),
        Q("tolerance_met", "1", "whether it was reached"),
        Q("wall_time_s", "s", "time the computation took"),
        Q("failed", "1", "number of points that could not be computed"),
    )),
    Group("mount", "mounts[]", _MOUNT, "a mount, in the order of the case", (
        Q("name", _WORDS, "name of the mount"),
        Q("kind", _WORDS, "kind", "mount_kind"),
        Q("offset_m", "m", "offset of the rotor axis from the near-side edge line",
          "mount_offset"),
        Q("height_m", "m", "height of the centre of the swept rectangle above the road",
          "mount_height", standard="height"),
        Q("rotor_width_m", "m", "width of the swept rectangle", "rotor_width"),
        Q("rotor_height_m", "m", "height of the swept rectangle", "rotor_height"),
        Q("wall_offset_m", "m", _FACES, "wall_offset"),
        Q("cut_in_m_s", _M_S, "cut-in speed of the rotor", "cut_in_speed"),
    )),
    Group("measure", "mounts[]", _MOUNT, "measures of traffic at a mount, null for single passes", (
        Q("effective_speed_m_s", _M_S, "effective speed", "effective_speed", comment=CUBE,
          ancillary="sampling_interval model_interval"),
        Q("mean_speed_m_s", _M_S, "mean rotor-equivalent speed", "mean_speed", MEAN),
        Q("mean_u_m_s", _M_S, "mean velocity along the road", "mean_u", MEAN),
        Q("mean_v_m_s", _M_S, "mean velocity across the road, towards +y", "mean_v", MEAN),
        Q("sd_speed_m_s", _M_S, "standard deviation of the rotor-equivalent speed", "sd_speed",
          "time: standard_deviation"),
        Q("energy_pattern_factor", "1", "mean cubed speed over cube of the mean speed",
          "energy_pattern_factor"),
        Q("time_above_cut_in", "1", "share of time above the cut-in speed", "time_above_cut_in",
          MEAN),
        Q("gust_peak_m_s", _M_S,
          "highest moving mean of the rotor-equivalent speed over the gust averaging time",
          "gust_peak", LARGEST),
        Q("peak_m_s", _M_S, "highest rotor-equivalent speed", "peak_speed", LARGEST),
        Q("ambient_effective_speed_m_s", _M_S, "effective speed without traffic",
          "ambient_effective_speed", comment=CUBE),
        Q("power_density_w_m2", "W m-2", "energy flux per swept area before any loss",
          "power_density", MEAN),
    )),
    Group("interval", "mounts[]", (*_MOUNT, "bound"), "[lower, upper] of the effective speed", (
        Q("sampling_interval_m_s", _M_S, "sampling interval of the effective speed",
          "sampling_interval"),
        Q("model_interval_m_s", _M_S, "model interval of the effective speed", "model_interval"),
    )),
    Group("share", "mounts[]", (), "shares of the mean cube, each sums to 1; negative: works "
          "against the rest", (
        Q("by_class", "1", "share of the mean cubed speed by class", "share_by_class",
          dims=("mount", "cube_source")),
        Q("by_mechanism", "1", "share of the mean cubed speed by mechanism", "share_by_mechanism",
          dims=("mount", "mechanism")),
    )),
    Group("gust", "mounts[]", (), "", (
        Q("gust_averaging_s", "s", "averaging time of the gust"),
    )),
    Group("drift", "mounts[].drift", _MOUNT, "the mean along-road air of the traffic, null where "
          "it is not part of the model", (
        Q("diffusivity_m2_s", "m2 s-1", "eddy viscosity that traffic makes around the wakes",
          "drift_diffusivity"),
        Q("at_mount_m_s", _M_S, "drift along +x (mean air that single wakes do not bring), mean "
          "over round and rotor", "drift_at_mount"),
        Q("drag_share", "1", "mean drag left to the traffic by air that already moves along",
          "drift_drag_share"),
        Q("settling_s", "s", "time until the mean air at the mount is at 90 % when traffic sets in "
          "at once", "drift_settling_time"),
        Q("balance", "m3 s-2", "force per metre of road over the density, own way; drag_in is the "
          "sum of others", "drift_balance", dims=("mount", "drift_term")),
    )),
    Group("drift_field", "", _DRIFT, "the mean air over the cross-section", (
        Q("y_m", "m", "offset of the cells from the near-side edge line", "drift_offset",
          dims=("mount", "drift_y")),
        Q("z_m", "m", "height of the cells above the road", "drift_height",
          dims=("mount", "drift_z"), standard="height"),
        Q("speed_m_s", _M_S, "mean along-road air of the traffic (wakes and drift) over the "
          "cross-section", "drift_speed"),
    )),
    Group("whole_hour", "mounts[].whole_hour", (), "the busiest hour with every vehicle in one "
          "march, null unless asked for; the march leaves the pulses out", (
        Q("hour", "h", "clock hour"),
        Q("passes", "1", "vehicles marched, those before the hour included"),
        Q("mean_u_march_m_s", _M_S, "mean along-road velocity at the rotor by the march"),
        Q("mean_u_superposed_m_s", _M_S, "the same by superposition"),
        Q("effective_march_m_s", _M_S, "effective speed at the rotor by the march"),
        Q("effective_superposed_m_s", _M_S, "the same by superposition"),
    )),
    Group("hour", "mounts[].hourly[]", ("mount", "hour"), "clock hours", (
        Q("hour", "h", "clock hour, its beginning"),
        Q("flow_veh_h", "h-1", "vehicles per hour, all lanes", "hourly_flow"),
        Q("effective_speed_m_s", _M_S, "effective speed of the hour", "hourly_effective_speed",
          comment=CUBE),
        Q("mean_speed_m_s", _M_S, "mean speed of the hour", "hourly_mean_speed", MEAN),
    )),
    Group("variant", "mounts[].model_variants[]", ("mount", "variant"),
          "one uncertain constant of the model moved", (
        Q("parameter", _WORDS, "parameter of the model variant", "variant_parameter",
          dims=("variant",)),
        Q("setting", _WORDS, "setting of the model variant", "variant_setting",
          dims=("variant",)),
        Q("effective_speed_m_s", _M_S, "effective speed of the variant", "variant_effective_speed",
          comment=CUBE),
        Q("change_m_s", _M_S, "change of the effective speed by the variant", "variant_change"),
        Q("counted", "1", "whether the variant is part of the model interval or shown beside it",
          "variant_counted", dims=("variant",)),
    )),
    Group("cutoff", "mounts[].cutoff_sensitivity[]", (), "wakes followed for another time", (
        Q("wake_memory_s", "s", "time for which wakes are followed"),
        Q("effective_speed_m_s", _M_S, "effective speed when wakes are followed for another time",
          "cutoff_effective_speed", "", "cutoff_effective_speed_m_s", ("mount", "wake_memory"),
          comment=CUBE),
    )),
    Group("signature", "mounts[].signatures[]", _PASS, "one pass of a vehicle class", (
        Q("vehicle", _WORDS, "vehicle class"),
        Q("label", _WORDS, "its label"),
        Q("lane", _WORDS, "lane"),
        Q("speed_m_s", _M_S, "speed of the passing vehicle", "signature_vehicle_speed"),
        Q("clearance_m", "m", "distance from the vehicle's outline to the rotor's centre",
          "signature_clearance"),
        Q("peak_m_s", _M_S, "highest speed of the air during one pass", "signature_peak"),
        Q("duration_s", "s", "time during one pass in which the speed exceeds a tenth of its peak",
          "signature_duration"),
        Q("int_u_dt_m", "m", "time integral of signature_u", "signature_int_u_dt"),
        Q("int_speed2_dt_m2_s", "m2 s-1", "time integral of the mean squared speed",
          "signature_int_speed2_dt"),
        Q("int_speed3_dt_m3_s2", "m3 s-2", "time integral of the mean cubed speed",
          "signature_int_speed3_dt"),
        Q("relief_peak", "1", "peak of the pulse over that of a plan-plane (2D) calculation, "
          "missing over a vehicle", "signature_relief_peak"),
        Q("relief_cube", "1", "integral of the pulse's cubed speed over that of a plan-plane (2D) "
          "calculation, missing over a vehicle", "signature_relief_cube"),
    )),
    Group("signature_series", "", (*_PASS, "signature_sample"), "one pass over time", (
        Q("time_s", "s", "time after the nose is abreast of the mount", "signature_time"),
        Q("u_m_s", _M_S, "velocity along the road during one pass", "signature_u"),
        Q("v_m_s", _M_S, "velocity across the road, towards +y, during one pass", "signature_v"),
        Q("w_m_s", _M_S, "upward velocity during one pass", "signature_w"),
        Q("pulse_u_m_s", _M_S, "part of signature_u made by the hull", "signature_pulse_u"),
        Q("wake_u_m_s", _M_S, "part of signature_u made by the mean wake", "signature_wake_u"),
        Q("sigma_m_s", _M_S, "standard deviation of the along-road wake turbulence during one pass",
          "signature_sigma"),
    )),
    Group("spectrum", "", ("mount", "frequency"), "spectra", (
        Q("spectrum_m2_s", "m2 s-1", _SPECTRUM, "velocity_spectrum"),
        Q("spectrum_passing_m2_s", "m2 s-1",
          f"{_SPECTRUM}, part of pulses and mean wakes as they sweep past",
          "velocity_spectrum_passing"),
    )),
    Group("series", "", ("mount", "series_time"), "the first simulated round", (
        Q("time_s", "s", "time since the start of the round"),
        Q("hour", "h", "clock hour of the sample", "clock_hour", dims=("series_time",)),
        Q("u_m_s", _M_S, "velocity along the road at the centre of the swept rectangle", "u"),
        Q("v_m_s", _M_S, "velocity across the road, towards +y, at the centre of the swept "
          "rectangle", "v"),
        Q("speed_m_s", _M_S, "rotor-equivalent horizontal speed", "speed", comment=ROTOR),
    )),
    Group("pass", "", ("pass",), "passes of the first round", (
        Q("time_s", "s", "time at which the nose is abreast of the mounts", "pass_time"),
        Q("lane", "1", "lane, position along dimension lane", "pass_lane"),
        Q("vehicle", "1", "vehicle class, position along dimension vehicle_class",
          "pass_vehicle"),
        Q("speed_m_s", _M_S, "speed of the vehicle", "pass_speed"),
        Q("wander_m", "m", "lateral offset from the lane's centre", "pass_wander"),
        Q("wake_factor", "1", "strength of the wake, 1 without drafting", "pass_wake_factor"),
    )),
    Group("vehicle", "", ("vehicle_class",), "vehicle classes of the case", (
        Q("label", _WORDS, "vehicle label", "vehicle_label"),
        Q("length_m", "m", "vehicle length", "vehicle_length"),
        Q("width_m", "m", "vehicle width", "vehicle_width"),
        Q("height_m", "m", "vehicle height above the road", "vehicle_height"),
        Q("clearance_m", "m", "ground clearance", "vehicle_ground_clearance"),
        Q("frontal_area_m2", "m2", "frontal area", "vehicle_frontal_area"),
        Q("drag_coefficient", "1", "drag coefficient", "vehicle_drag_coefficient"),
        Q("nose_radius_m", "m", "radius of the edges around the nose, missing where it is the "
          "model's share of the front", "vehicle_nose_radius"),
    )),
    Group("lane", "", ("lane",), "lanes of the case", (
        Q("centre_m", "m", "offset of the lane's centre from the near-side edge line",
          "lane_centre"),
    )),
    Group("rotor", "mounts[].energy.rotor", (), "the rotor; null where not given", (
        Q("name", _WORDS, "what it is"),
        Q("area_m2", "m2", "swept area"),
        Q("response", _WORDS, "response that the figures of month and wind hold for",
          "rotor_response", dims=_MOUNT),
        Q("best_power_coefficient", "1", "highest power coefficient", source="curve.best.1"),
        Q("best_tip_speed_ratio", "1", "tip speed ratio that has it", source="curve.best.0"),
        Q("inertia_kg_m2", "kg m2", "moment of inertia", source="inertia"),
        Q("shaft_speed_rad_s", "rad s-1", "shaft speed of the fixed-speed response"),
        Q("rated_power_w", _W, "rated power"),
        Q("conversion_efficiency", "1", "efficiency of generator and converter",
          source="conversion"),
        Q("standby_w", _W, "standby use"),
        Q("power_curve", "1", "pairs of m/s and W", source="power_curve_points"),
        Q("source", _WORDS, "where its figures come from"),
    )),
    Group("energy", "mounts[].energy", _MOUNT, "what a rotor makes of it, null without [rotor] in "
          "the case; electrical, before standby use", (
        Q("weekday_effective_speed_m_s", _M_S, "effective speed of all hours of a weekday in the "
          "case's air", source="effective_speed_m_s"),
        Q("annual_kwh", _KWH, "energy of the year in its winds with the rotor's response",
          source="year.annual_kwh"),
        Q("annual_kwh_by_response", _KWH, "electrical energy of the year in its winds, before "
          "standby use", "annual_energy", source="annual_kwh", dims=_RESPONSE),
        Q("annual_kwh_in_the_air_of_the_case", _KWH, "the year if the air were always that of the "
          "case", source="case_air_kwh"),
        Q("annual_without_traffic_kwh", _KWH, "the same without traffic",
          "annual_energy_without_traffic", source="year.annual_without_traffic_kwh"),
        Q("annual_added_by_traffic_kwh", _KWH, "what the traffic adds",
          source="year.added_by_traffic_kwh"),
        Q("annual_net_of_standby_kwh", _KWH, "with traffic, less standby use",
          "annual_energy_net", source="year.annual_net_kwh"),
        Q("mean_daily_kwh", _KWH, "energy of an average day"),
        Q("monthly_kwh", _KWH, "electrical energy of each month, before standby use",
          "monthly_energy", source="year.monthly_kwh", dims=("mount", "month")),
        Q("capture_ratio", "1", "power with the response over the quasi-steady one, a weekday in "
          "the case's air"),
        Q("gust_cycles_a_year", "1", "passes of vehicles in all lanes"),
    )),
    Group("energy_hour", "", _HOUR, "hours of a weekday", (
        Q("available_w", _W, f"kinetic energy flux through the swept area{_AIR}", "energy_flux",
          MEAN, "power.available_w"),
        Q("electrical_w", _W, f"electrical power before standby use{_AIR}", "electrical_power",
          MEAN, "power.electrical_w", ("mount", "response", "weekday_hour")),
        Q("effective_speed_m_s", _M_S, f"effective speed of the hour{_AIR}",
          "energy_effective_speed", "", "power.effective_speed_m_s", comment=CUBE),
        Q("captured_speed_m_s", _M_S, "steady speed that would generate as much as the rotor's "
          f"response{_AIR}", "captured_speed", "", "power.captured_speed_m_s"),
    )),
    Group("month", "", (), "months of the year of the case", (
        Q("with_traffic_kwh", _KWH, "electrical, before standby use"),
        Q("without_traffic_kwh", _KWH, "the ambient wind alone"),
        Q("net_kwh", _KWH, "with traffic less standby use"),
    )),
    Group("year_wind", "mounts[].energy.winds[]", ("mount", "year_wind"), "winds of the year, the "
          "same at every mount; angle null in still air", (
        Q("speed_m_s", _M_S, "ambient wind at its reference height, 0: still air",
          "year_wind_speed", dims=("year_wind",)),
        Q("angle_deg", "degree", "direction it blows to, from +x towards +y", "year_wind_angle",
          dims=("year_wind",)),
        Q("share", "1", "share of the year", "year_wind_share", dims=("year_wind",)),
        Q("with_traffic_w", _W, "electrical power of a weekday, with traffic", "wind_power", MEAN),
        Q("without_traffic_w", _W, "electrical power of a weekday, without traffic",
          "wind_power_without_traffic", MEAN),
    )),
    Group("bounds", "mounts[].energy.bounds", (), "means of a weekday in the case's air", (
        Q("betz_mean_w", _W, "bound of Betz", source="betz_w"),
        Q("drag_power_w_m", "W m-1", "drag work of the traffic per metre of road"),
        Q("wake_power_w_m", "W m-1", "energy of single wakes per metre of road"),
        Q("spacing_m", "m", "distance of rotors along the road"),
        Q("traffic_shaft_w", _W, "what one rotor owes to the traffic"),
        Q("drag_share", "1", "its share of the drag work"),
        Q("wake_share", "1", "its share of the energy of single wakes"),
        Q("added_diesel_litres_a_year", "l", "upper bound of the fuel it costs the traffic",
          source="road_load.diesel_litres"),
        Q("added_charge_kwh_a_year", _KWH, "the same for electric vehicles",
          source="road_load.electric_kwh"),
    )),
    Group("load", "mounts[].energy.load", (), "null without a load", (
        Q("load_kwh", _KWH, "energy of the load over the year"),
        Q("energy_share", "1", "share of that energy which is met"),
        Q("load_hour_share", "1", "share of the hours with a load in which all of it is met"),
    )),
    Group("row", "mounts[].energy.row", (), "null without a row", (
        Q("annual_kwh_at_most", _KWH, "the row's year without mutual shading", source="row_kwh"),
        Q("lower_estimate_factor", "1", "lower estimate of the mutual shading",
          source="row_factor"),
    )),
    Group("uncertainty", "mounts[].energy.uncertainty", (), "null when no samples were asked for", (
        Q("samples", "1", "number of samples"),
        Q("failed", "1", "of them not computed"),
        Q("effective_speed_m_s", _M_S, "effective speed, all uncertain inputs at once: p90, p50, "
          "p10, mean, sd"),
        Q("annual_kwh", _KWH, "energy of a year in the air of the case, likewise"),
        Q("effective_speed_ranking", "1", "explained, trusted and inputs (input, first_order, "
          "total)"),
        Q("annual_kwh_ranking", "1", "likewise"),
    )),
    Group("percentile", "", ("mount", "exceedance"), "exceedance percentiles", (
        Q("speed", _M_S, "effective speed, all uncertain inputs at once",
          "effective_speed_percentile"),
        Q("energy", _KWH, "energy of a year in the air of the case, all uncertain inputs at once",
          "annual_energy_percentile"),
    )),
    Group("index", "", ("mount", "uncertain_input"), "shares of the variance", (
        Q("speed_first_order", "1", "first order share of the variance of the effective speed",
          "effective_speed_first_order_index", source="speed_ranking.first_order"),
        Q("speed_total", "1", "total share of the variance of the effective speed",
          "effective_speed_total_index", source="speed_ranking.total"),
        Q("energy_first_order", "1", "first order share of the variance of the energy of a year "
          "in the air of the case", "annual_energy_first_order_index",
          source="energy_ranking.first_order"),
        Q("energy_total", "1", "total share of the variance of the energy of a year in the air of "
          "the case", "annual_energy_total_index", source="energy_ranking.total"),
    )),
    Group("claim", "mounts[].energy.claim", (), "null without [claim]", (
        Q("implied", _WORDS, "what the stated figures imply: list of name, value, unit, how"),
        Q("findings", _WORDS, "what was compared: list of kind, factor (stated over the central "
          "estimate of a result; null: no limit), factor_range (over the high and the low end of "
          "its range, or null), text"),
        Q("status", _WORDS, "contradicted (by a law, another stated figure or the range of the "
          "result), not supported (nothing contradicts, and not all could be checked) or plausible "
          "(within the range of the result)"),
        Q("verdict", _WORDS, "the same in words"),
    )),
    Group("mount_warnings", "mounts[]", (), "", (
        Q("warnings", _WORDS, "list of sentences about this mount"),
    )),
    Group("class_load", "", (), "passing loads of each class", (
        Q("vehicle", _WORDS, "vehicle class"),
        Q("lane", _WORDS, "lane, the nearest that the class drives in"),
        Q("pressure_peak_to_peak_pa", "Pa", "pulse in free air, indicative",
          source="peak_pressure_pa"),
        Q("dynamic_pressure_pa", "Pa", "largest, of the moving air, indicative",
          source="peak_dynamic_pressure_pa"),
        Q("largest_force_n", "N", "on rotor and post as a closed plate, indicative",
          source="peak_force_n"),
        Q("passes_a_year", "1", "passes of this class in this lane", source="cycles_a_year"),
    )),
    # --- studies of many states ---------------------------------------------------------------
    Group("axis", "", (), "axes of lookup tables and maps", (
        Q("offset_m", "m", "offset y of the rotor axis from the near-side edge line"),
        Q("clearance_m", "m",
          "from the side of the widest heavy vehicle in the outer lane to the rotor axis"),
        Q("height_m", "m", "height of the centre of the swept area above the road",
          standard="height"),
        Q("flow_veh_h", "h-1", "vehicles per hour on the near carriageway"),
        Q("heavy_share", "1", "share of heavy vehicles on every carriageway"),
        Q("speed_factor", "1", "factor on the speed of every vehicle class"),
        Q("wind_speed_m_s", _M_S, "ambient wind at the reference height", standard="wind_speed"),
        Q("wind_angle_deg", "degree", "direction the wind blows to: 0 along +x, 90 along +y"),
        Q("direction_split", "1", "share of the near carriageway in the flow of both"),
    )),
    Group("pass_axis", "", (), "axes of a table of single passes", (
        Q("vehicle_class", _WORDS, "vehicle class"),
        Q("speed_m_s", _M_S, "speed of the vehicle"),
        Q("clearance_m", "m", "from the vehicle's side to the point"),
        Q("height_m", "m", "height of the point above the road", standard="height"),
    )),
    Group("state", "", (), "what lookup tables and maps hold at every state", (
        Q("effective_speed_m_s", _M_S, "cube root of the mean cubed rotor-equivalent speed",
          "effective_speed", ancillary="model_low model_high"),
        Q("mean_speed_m_s", _M_S, "mean horizontal speed over the swept area", "mean_speed", MEAN),
        Q("sd_speed_m_s", _M_S, "standard deviation of the horizontal speed over the swept area",
          "sd_speed"),
        Q("drift_m_s", _M_S, "sustained drift along the road (+x), mean over the swept area",
          "drift", MEAN),
        Q("power_density_w_m2", "W m-2", "kinetic energy flux through the swept area, of a map; of "
          "a table wakesim.open_table makes it of the effective speed between the states",
          "power_density", MEAN),
        Q("model_low_m_s", _M_S, "lower end of the model interval of effective_speed",
          "model_low"),
        Q("model_high_m_s", _M_S, "upper end of the model interval of effective_speed",
          "model_high"),
        Q("power_coefficient", "1", "mean electrical power of the rotor before standby use over "
          "the kinetic energy flux through its swept area at the effective speed",
          "power_coefficient", comment="Interpolate it and the speed, not the power."),
        Q("captured_power_density_w_m2", "W m-2", "energy flux times the stated power coefficient",
          "captured_power_density", MEAN),
    )),
    Group("pass_state", "", (), "what a table of single passes holds", (
        Q("int_u_dt_m", "m", "time integral of the velocity along the road", "int_u_dt"),
        Q("int_speed2_dt_m2_s", "m2 s-1", "time integral of the mean squared horizontal speed",
          "int_speed2_dt"),
        Q("int_speed3_dt_m3_s2", "m3 s-2", "time integral of the mean cubed horizontal speed",
          "int_speed3_dt"),
        Q("peak_m_s", _M_S, "highest horizontal speed of the mean flow", "peak"),
        Q("duration_s", "s", "time with a horizontal speed above a tenth of the peak", "duration"),
    )),
    Group("map_place", "", ("height_m", "offset_m"), "places of a mounting map", (
        Q("kind", _WORDS, "what a rotor would hang on", "kind"),
        Q("reason", "1", "why a place has no value", "reason"),
    )),
    Group("grid", "(studies of many states)", (), "in every summary of a study of many states", (
        Q("failed", _WORDS, "list of sentences, one for each point that could not be computed"),
        Q("rotor", _WORDS, "width_m and height_m of the swept rectangle, not with single passes; "
          "of a lookup table with [rotor] also name, area_m2, cut_in_m_s, response, standby_w and, "
          "held at a fixed speed, shaft_speed_rad_s"),
    )),
    Group("map", "(mounting_map)", (), "", (
        Q("hour", "h", "clock hour of the map"),
        Q("offset_m", "m", "lowest, highest and number of the offsets of places"),
        Q("height_m", "m", "likewise of the heights"),
        Q("places", "1", "number of places by reason: computed, or why not"),
        Q("power_coefficient", "1", "what the captured power density is made with"),
        Q("power_coefficient_origin", _WORDS, "where it comes from"),
        Q("best", _WORDS, "best place of the mount's kind: offset_m, height_m, kind, the "
          "quantities of the table, model_interval_m_s; null without a free place"),
        Q("best_by_kind", _WORDS, "the same without the interval for each kind with a free place"),
        Q("at_mount", _WORDS, "the quantities at the mount of the case"),
        Q("model_variants", _WORDS, "list of parameter, setting, effective_speed_m_s, change_m_s "
          "(at the best place), best_offset_m, best_height_m (the best place under that model), "
          "moves (whether that is another place)"),
        Q("set_back", _WORDS, "list of offset_m, effective_speed_m_s, model_low_m_s, "
          "model_high_m_s at the height of the best place"),
        Q("headways", _WORDS, "null, or exact_m_s (with the case's headways, as on the map), "
          "independent_m_s (exact for independent vehicles) and simulated, a list of model, "
          "effective_speed_m_s, sampling_interval_m_s"),
    )),
    Group("table", "(lookup_table)", (), "", (
        Q("hour", "h", "clock hour of the case that stands behind axes not given"),
        Q("axes", _WORDS, "list of name, values"),
        Q("variables", _WORDS, "names in table.h5"),
        Q("wind", _WORDS, "what the wind of the states is: reference_height_m, profile (log or "
          "power), roughness_m and displacement_m, or exponent, turbulence_intensity; attributes "
          "wind_... of table.h5; null without any wind"),
        Q("states", "1", "number of states of the table"),
        Q("distinct_states", "1", "number of computed ones (equal air is computed once)"),
        Q("added", _WORDS, "values that refinement put in, by axis"),
        Q("interpolation_error", "1", "null, or states, median, p90, largest: relative error of "
          "the effective speed at random states between those of the table"),
        Q("interpolation_error_light_wind", "1", "null, or the same among winds of 0.5 to 2.5 m/s "
          "alone"),
        Q("model_interval", "1", "null, or states (at which it was computed), error_median and "
          "error_largest (of its interpolated ends at random states, over the effective speed), "
          "parts"),
    )),
    Group("year", "(year) mounts[]", ("mount",), "a year of hours at a mount", (
        Q("name", _WORDS, "name of the mount", source="mount.name"),
        Q("offset_m", "m", "offset y of the rotor axis", "mount_offset", source="mount.offset_m"),
        Q("height_m", "m", "height of the centre of the swept area", "mount_height",
          source="mount.height_m"),
        Q("effective_speed_m_s", _M_S, "cube root of the mean cubed rotor-equivalent speed, all "
          "hours together", "effective_speed", source="mean_effective_speed_m_s", comment=CUBE,
          ancillary="model_interval"),
        Q("model_interval_m_s", _M_S, "what the model leaves open of it", "model_interval",
          dims=("mount", "bound")),
        Q("annual_kwh", _KWH, "energy of the hours with traffic, before losses and standby",
          "annual_energy"),
        Q("annual_without_traffic_kwh", _KWH, "what the wind alone would give",
          "annual_energy_without_traffic"),
        Q("added_by_traffic_kwh", _KWH, "the difference; negative where traffic takes away",
          "energy_added_by_traffic"),
        Q("annual_net_kwh", _KWH, "with traffic, after availability, losses and standby",
          "annual_net_energy"),
        Q("percentiles_kwh", _KWH, "p90, p50, p10, mean and sd of the net energy, by cause: "
          "together, winds, traffic, chance, model, rotor; empty where no years were drawn",
          source="percentiles"),
        Q("load", _WORDS, "list of month, load_kwh, met_kwh, load_hours, unserved_hours; empty "
          "without a load"),
        Q("row_kwh", _KWH, "net energy of the row without mutual shading; null without a row"),
        Q("row_factor", "1", "lower estimate of what shading leaves of it"),
    )),
    Group("year_hour", "", ("mount", "hour_of_record"), "hours of a year", (
        Q("effective_speed_m_s", _M_S, "effective speed of the hour", "hour_effective_speed",
          comment=CUBE, ancillary="hour_model_low hour_model_high"),
        Q("ambient_speed_m_s", _M_S, "the same of the wind alone", "hour_ambient_speed",
          comment=CUBE),
        Q("model_low_m_s", _M_S, "lower end of the model interval of the effective speed",
          "hour_model_low", source="low_m_s"),
        Q("model_high_m_s", _M_S, "upper end of the model interval of the effective speed",
          "hour_model_high", source="high_m_s"),
        Q("with_traffic_w", _W, "mean electrical power before losses and standby",
          "hour_power", OF_HOUR),
        Q("without_traffic_w", _W, "the same in the wind alone", "hour_power_without_traffic",
          OF_HOUR),
        Q("net_w", _W, "with traffic, after availability, losses and standby", "hour_net_power",
          OF_HOUR),
    )),
    Group("year_state", "", ("hour_of_record",), "traffic and wind of the hours of a year", (
        Q("flow_veh_h", "h-1", "vehicles on all carriageways", "hour_flow",
          source="all_flow_veh_h"),
        Q("heavy_share", "1", "share of heavy vehicles among them", "hour_heavy_share"),
        Q("wind_speed_m_s", _M_S, "wind at its reference height", "hour_wind_speed",
          OF_HOUR),
        Q("wind_angle_deg", "degree", "direction it blows to: 0 along +x, 90 along +y",
          "hour_wind_angle"),
        Q("air_density_kg_m3", "kg m-3", "density of the air", "hour_air_density",
          source="winds.density_kg_m3"),
        Q("filled", "1", "bit 1: flow filled in, bit 2: wind filled in", "hour_filled"),
    )),
    Group("year_percentile", "", ("mount", "cause", "exceedance"), "drawn years", (
        Q("energy", _KWH, "net energy of a year, by what was drawn",
          "annual_net_energy_percentile"),
    )),
    Group("year_month", "", (), "months of a year", (
        Q("month", "1", "month"),
        Q("with_traffic_kwh", _KWH, "with traffic, before losses and standby"),
        Q("without_traffic_kwh", _KWH, "the wind alone, likewise"),
        Q("net_kwh", _KWH, "with traffic, after availability, losses and standby"),
        Q("load_kwh", _KWH, "asked for by the load"),
        Q("met_kwh", _KWH, "met of it"),
        Q("load_hours", "h", "hours with a load"),
        Q("unserved_hours", "h", "hours of them not served in full"),
    )),
    Group("pass_table", "(single_pass_table)", (), "", (
        Q("classes", _WORDS, "vehicle classes"),
        Q("axes", _WORDS, "list of name, values"),
        Q("variables", _WORDS, "names in pass-table.h5"),
    )),
)

# Dimensions with values of their own.
COORDINATES: dict[str, Quantity] = {q.key: q for q in (
    Q("mount", _WORDS, "name of the mount"),
    Q("vehicle_class", _WORDS, "vehicle class"),
    Q("lane", _WORDS, "lane"),
    Q("bound", _WORDS, "lower or upper end of an interval"),
    Q("hour", "h", "clock hour, its beginning"),
    Q("cube_source", _WORDS, "what makes a share of the mean cube"),
    Q("mechanism", _WORDS, "mechanism"),
    Q("variant", _WORDS, "model variant"),
    Q("wake_memory", "s", "time for which wakes are followed"),
    Q("frequency", "Hz", "frequency"),
    Q("series_time", "s", "time since the start of the round"),
    Q("pass", "1", "number of the pass"),
    Q("drift_term", _WORDS, "part of the mean air's balance of forces"),
    Q("weekday_hour", "h", "clock hour of a weekday, its beginning"),
    Q("month", "1", "month"),
    Q("response", _WORDS, "how the rotor answers gusts"),
    Q("exceedance", "percent", "share of samples that exceed the value"),
    Q("uncertain_input", _WORDS, "uncertain input"),
    Q("set_back_offset_m", "m", "offset of the rotor axis, at the height of the best place"),
    Q("cause", _WORDS, "what was drawn: all together, or one cause alone"),
    Q("hour_of_record", "hours since 1970-01-01 00:00:00", "beginning of the hour, UTC",
      standard="time"),
)}
# fmt: on

GROUPS: dict[str, Group] = {
    group.name: replace(
        group, rows=tuple(replace(q, dims=q.dims or group.dims) for q in group.rows)
    )
    for group in _GROUPS
}


def group(name: str) -> dict[str, Quantity]:
    """The quantities of a group by key, in their order."""
    return {q.key: q for q in GROUPS[name].rows}


def variables(name: str) -> dict[str, Quantity]:
    """The quantities of a group that are variables of a data set, by that name."""
    return {q.name: q for q in GROUPS[name].rows if q.name}


AXES = group("axis")
PASS_AXES = group("pass_axis")
STATES = {**variables("state"), **variables("pass_state")}

# Files of a result beside figures and report. CSV tables have one header line and no other text;
# their columns are described in columns.csv, the last of them says whether the data are invented.
FILES = {
    "summary.json": "the result in one small file for programs; no NaN: what is not known is null",
    "result.h5": "everything of a run at mounts",
    "columns.csv": "unit and meaning of every column of the other tables",
    "signatures.csv": "one pass of each class at each mount",
    "mounts.csv": "the measures of traffic, a row a mount",
    "hourly.csv": "means of each clock hour",
    "model-variants.csv": "effective speed with one uncertain constant of the model moved",
    "series.csv": "the series at a mount: its busiest ten minutes, or all of it",
    "energy-hours.csv": "power by hour of a weekday",
    "energy-months.csv": "energy by month",
    "energy-winds.csv": "power by wind of the year",
    "mount-loads.csv": "passing loads of each class",
    "yield-samples.csv": "samples of the uncertain inputs of the yield",
    "map.h5, map.csv": "a mounting map: the states over height_m and offset_m",
    "table.h5, table.csv": "a lookup table: the states over its axes; wakesim.open_table reads it",
    "year.h5": "a year of hours at mounts",
    "year-mounts.csv": "the year, a row a mount",
    "year-months.csv": "the year by month: energy, and how a load fares",
    "year-hours.csv": "the hours of the year: traffic, wind, air, power",
    "pass-table.h5, pass-table.csv": "single passes over class, speed, clearance and height",
}


def documentation() -> str:
    """The files, keys and variables as Markdown: ``wakesim/outputs/README.md``."""
    lines = [
        "# What a result holds",
        "",
        "Written by `python -m wakesim.quantities` from the rows of `wakesim/quantities.py`.",
        "",
        "`result.to_xarray()` gives the data set that the HDF5 file holds,",
        "`result.to_pandas(name)` a table by the name of its CSV file; what `wakesim.open_table`",
        "gives has both methods too.",
        "HDF5 files open as they are in netCDF-4 programs, h5py and xarray, and follow CF-1.11.",
        "Every CSV file reads with `pandas.read_csv(path)` as it is: one header line, units in the",
        "names of the columns, empty cells where a value is missing; the last column,",
        "`invented_data`, says whether case and place are made up. With",
        "`wakesim run --parquet`, `parquet = true` in `[outputs]` or",
        "`result.save(folder, parquet=True)` the tables are also written as Parquet files",
        "(`pip install wakesim[parquet]`).",
        "",
        *_markdown(("file", "content"), FILES.items()),
        "## summary.json",
        "",
        "The unit ends the key. `mounts[]` stands for each object of a list.",
        "",
    ]
    for known in GROUPS.values():
        if known.place or known.name == "root":
            rows = ((q.key, q.reading_unit, q.meaning) for q in known.rows)
            lines += [f"### {known.place or 'Whole result'}", ""]
            lines += [f"{known.meaning[:1].upper()}{known.meaning[1:]}.", ""] * bool(known.meaning)
            lines += _markdown(("key", "unit", "meaning"), rows)
    rows = (
        (q.name, ", ".join(q.dims), q.units, q.meaning)
        for known in GROUPS.values() for q in known.rows
        if q.name and not known.name.endswith("state")
    )  # fmt: skip
    lines += ["## Variables of result.h5 and map.h5", ""]
    lines += _markdown(("variable", "dimensions", "units", "long name"), rows)
    lines += ["## Coordinates", ""]
    named = ((q.key, q.units, q.meaning) for q in (*COORDINATES.values(), *AXES.values()))
    lines += _markdown(("name", "units", "long name"), named)
    lines += ["## Variables of tables and maps of states", ""]
    states = ((q.name, q.units, q.meaning) for q in STATES.values())
    lines += _markdown(("variable", "units", "long name"), states)
    return "\n".join(lines).rstrip() + "\n"


def _markdown(head: tuple[str, ...], rows: Iterable[tuple[str, ...]]) -> list[str]:
    """A table, its first column as code."""
    lines = [f"| {' | '.join(head)} |", "|" + "---|" * len(head)]
    lines += [f"| `{first}` | {' | '.join(others)} |" for first, *others in rows]
    return [*lines, ""]


if __name__ == "__main__":
    print(documentation(), end="")
