"""Every message as the user reads it, for the mistakes users make."""

from __future__ import annotations

import pytest
from case_texts import POST, TEXTS, edited, problems

REAL = TEXTS["real-counts.toml"]
SINGLE = TEXTS["single-pass.toml"]
WALL = TEXTS["wall-face.toml"]
OWN = (
    "[vehicles.tanker]\nlength_m = 10\nwidth_m = 2.5\nheight_m = 4\nclearance_m = 0.5\n"
    "frontal_area_m2 = 9\ndrag_coefficient = 0.6\n\n[air]"
)
USED = ("coach = 0.10", "tanker = 0.10")


def _line(text: str, part: str) -> int:
    return next(i for i, row in enumerate(text.split("\n"), 1) if part in row)


# label: (case text, changes, the row that must be named, the message after file and line)
ONE_MISTAKE = {
    "unit suffix missing": (
        POST,
        [("height_m = 2.0 ", "height = 2.0 ")],
        "height = 2.0 ",
        "mounts[1]: unknown key 'height'; did you mean 'height_m'? (the unit is part of the key)",
    ),
    "misspelt": (
        POST,
        [("height_m = 2.0 ", "heigth_m = 2.0 ")],
        "heigth_m",
        "mounts[1]: unknown key 'heigth_m'; did you mean 'height_m'?",
    ),
    "unusual spelling of a unit": (
        WALL,
        [("speed_m_s = 2.0", "speed_kph = 7")],
        "speed_kph",
        "air.wind: unknown key 'speed_kph'; did you mean 'speed_kmh'?",
    ),
    "speed without unit": (
        SINGLE,
        [("# speed_kmh = 90", "speed = 90")],
        "speed = 90",
        "single_pass: unknown key 'speed'; did you mean 'speed_m_s' or 'speed_kmh' or 'speed_mph'? "
        "(the unit is part of the key)",
    ),
    "feet": (
        POST,
        [("rotor_width_m", "rotor_width_ft")],
        "rotor_width_ft",
        "mounts[1]: unknown key 'rotor_width_ft'; did you mean 'rotor_width_m'?",
    ),
    "negative": (
        POST,
        [("height_m = 2.0 ", "height_m = -2.0 ")],
        "height_m = -2.0",
        "mounts[1].height_m = -2.0 m: must be greater than 0 m and at most 50 m",
    ),
    "nan": (
        POST,
        [("height_m = 2.0 ", "height_m = nan ")],
        "height_m = nan",
        "mounts[1].height_m = nan m: must be a finite number",
    ),
    "text for a number": (
        POST,
        [("height_m = 2.0 ", 'height_m = "2.0" ')],
        'height_m = "2.0"',
        'mounts[1].height_m = "2.0": must be a number, without quotes',
    ),
    "unit in the value": (
        POST,
        [("offset_m = 4.5", 'offset_m = "4.5 m"')],
        '"4.5 m"',
        'mounts[1].offset_m = "4.5 m": must be a number, without quotes and unit',
    ),
    "true for a number": (
        POST,
        [("tolerance = 0.02", "tolerance = true")],
        "tolerance = true",
        "compute.tolerance = true: must be a number, not true or false",
    ),
    "decimal point in a count": (
        POST,
        [("lanes = 2 ", "lanes = 2.0 ")],
        "lanes = 2.0",
        "road.carriageways[1].lanes = 2.0: must be a whole number, without a decimal point",
    ),
    "quoted true": (
        POST,
        [("still = true ", 'still = "yes" ')],
        "still = ",
        'air.still = "yes": must be true or false, without quotes',
    ),
    "mix in percent": (
        POST,
        [("0.62, suv = 0.26, panel_van = 0.11, motorcycle = 0.01", "62, suv = 37, panel_van = 1")],
        "small_car = 62",
        "traffic.flows[1].light_mix: the shares sum to 100; they must sum to 1 "
        "(percentages? write 0.62, not 62)",
    ),
    "mix that does not sum": (
        POST,
        [("small_car = 0.62", "small_car = 0.52")],
        "small_car = 0.52",
        "traffic.flows[1].light_mix: the shares sum to 0.9; they must sum to 1",
    ),
    "heavy share in percent": (
        WALL,
        [("heavy_share = 0.13", "heavy_share = 13")],
        "heavy_share = 13",
        "traffic.flows[1].heavy_share = 13: must be at least 0 and at most 1; "
        "13 looks like a percentage, write 0.13",
    ),
    "23 hours": (
        POST,
        [("280, 190,", "280,")],
        "hourly_veh_h = [",  # the second list of the file; see the test
        "traffic.flows[2].hourly_veh_h: must hold 24 values, one per hour from 0 to 23; "
        "it holds 23",
    ),
    "unknown vehicle": (
        POST,
        [("small_car = 0.62", "smal_car = 0.62")],
        "smal_car",
        "traffic.flows[1].light_mix: unknown vehicle 'smal_car'; did you mean 'small_car'?",
    ),
    "unknown vehicle in a list": (
        SINGLE,
        [('"coach"', '"couch"')],
        '"couch"',
        "single_pass.vehicles: unknown vehicle 'couch'; did you mean 'coach'?",
    ),
    "both names of a vehicle": (
        POST,
        [("artic_lorry_eu = 0.65", "artic_lorry_eu = 0.60, artic_lorry = 0.05")],
        "artic_lorry = 0.05",
        "traffic.flows[1].heavy_mix: 'artic_lorry' is another name of 'artic_lorry_eu', "
        "which is given already",
    ),
    "unknown carriageway": (
        POST,
        [('carriageway = "far"', 'carriageway = "fair"')],
        '"fair"',
        'traffic.flows[2].carriageway = "fair": no carriageway of this name; did you mean "far"?',
    ),
    "two flows for one carriageway": (
        POST,
        [('carriageway = "far"', 'carriageway  = "near"')],
        'carriageway  = "near"',
        'traffic.flows[2].carriageway = "near": this carriageway has its flow in '
        "traffic.flows[1] already",
    ),
    "duplicate mount": (
        POST,
        [
            (
                "[compute]",
                '[[mounts]]\nname = "Post"\nkind = "post"\noffset_m = 6\nheight_m = 2\n'
                "rotor_width_m = 1\nrotor_height_m = 2\n\n[compute]",
            )
        ],
        'name = "Post"',
        'mounts[2].name = "Post": the name is taken by mounts[1]',
    ),
    "still air and wind": (
        WALL,
        [("[air]\n", "[air]\nstill = true\n")],
        "still = true",
        "air.still = true: still air and [air.wind] exclude each other",
    ),
    "no wind and not still": (
        POST,
        [("still = true ", "still = false ")],
        "still = false",
        "air.still = false: needs a wind: add [air.wind]",
    ),
    "pressure and altitude": (
        WALL,
        [("altitude_m = 180 ", "pressure_pa = 100000\naltitude_m = 180 ")],
        "altitude_m = 180",
        "air.altitude_m = 180 m: give pressure_pa or altitude_m, not both "
        "(altitude sets the pressure)",
    ),
    "pressure in hPa": (
        WALL,
        [("altitude_m = 180 ", "pressure_pa = 1013 ")],
        "pressure_pa",
        "air.pressure_pa = 1013 Pa: must be at least 40000 Pa and at most 110000 Pa; "
        "1013 looks like hPa, write 101300",
    ),
    "temperature in kelvin": (
        POST,
        [("temperature_c = 15.0", "temperature_c = 288.15")],
        "temperature_c",
        "air.temperature_c = 288.15 °C: must be at least -50 °C and at most 60 °C; "
        "288.15 looks like kelvin, write 15",
    ),
    "speed in two units": (
        WALL,
        [("speed_m_s = 2.0 ", "speed_m_s = 2.0\nspeed_kmh = 7.2 ")],
        "speed_kmh = 7.2",
        "air.wind.speed_kmh = 7.2 km/h: the same speed is given by speed_m_s already",
    ),
    "key of the other wind profile": (
        WALL,
        [("roughness_m = 0.03", "exponent = 0.2")],
        "exponent = 0.2",
        'air.wind.exponent = 0.2: only for profile = "power"',
    ),
    "wind reference in the roughness": (
        WALL,
        [("reference_height_m = 10.0", "reference_height_m = 0.02")],
        "reference_height_m = 0.02",
        "air.wind.reference_height_m = 0.02 m: must be at least displacement_m + 5 x roughness_m = "
        "0.15 m",
    ),
    "rotor in the ground": (
        POST,
        [("height_m = 2.0 ", "height_m = 0.9 ")],
        "height_m = 0.9",
        "mounts[1].height_m = 0.9 m: the rotor of 2 m height would reach down to -0.1 m; it must "
        "stay at least 0.1 m above the ground: height_m at least 1.1 m",
    ),
    "rotor in the traffic": (
        POST,
        [("offset_m = 4.5 ", "offset_m = -1.5 ")],
        "[[mounts]]",
        "mounts[1]: mount inside a vehicle's path: the rotor spans y = -2 to -1 m down to "
        "z = 1 m, and in lane 'near 1' artic_lorry_eu (4 m high) takes y = -3.85 to 0.2 m "
        "(half its width and 3 x wander_sd_m)",
    ),
    "rotor through the wall": (
        WALL,
        [("wall_offset_m = 5.5", "wall_offset_m = 4.8")],
        "wall_offset_m",
        "mounts[1].wall_offset_m = 4.8 m: the rotor reaches from y = 4 to 5 m, through the wall",
    ),
    "wall before the mount": (
        WALL,
        [("wall_offset_m = 5.5", "wall_offset_m = 2.8")],
        "wall_offset_m",
        "mounts[1].wall_offset_m = 2.8 m: the wall must stand beyond the mount as seen from lane "
        "'near 1': at higher y than the mount's offset_m = 4.5 m",
    ),
    "wall in the lanes": (
        WALL,
        [("wall_offset_m = 5.5", "wall_offset_m = -2")],
        "wall_offset_m",
        "mounts[1].wall_offset_m = -2.0 m: the wall would stand in the lanes of 'near'",
    ),
    "wall missing": (
        POST,
        [('kind = "post"', 'kind = "wall"')],
        "[[mounts]]",
        "mounts[1]: 'wall_offset_m' is missing (y of the wall face, in m; "
        'kind = "wall" needs it)',
    ),
    "wall of a post": (
        POST,
        [("offset_m = 4.5 ", "wall_offset_m = 9\noffset_m = 4.5 ")],
        "wall_offset_m",
        'mounts[1].wall_offset_m = 9 m: only for kind = "wall"; this mount has kind = "post"',
    ),
    "lane that is not there": (
        SINGLE,
        [("lane = 1\n", "lane = 3\n")],
        "lane = 3",
        "single_pass.lane = 3: carriageway 'near' has lanes 1 to 2 (1 is the outer one)",
    ),
    "unknown choice": (
        POST,
        [('kind = "post"', 'kind = "pots"')],
        '"pots"',
        'mounts[1].kind = "pots": must be one of "post", "central_reservation", "overhead", '
        '"wall"; did you mean "post"?',
    ),
    "capital letter": (
        REAL,
        [('day_type = "weekday"', 'day_type = "Sunday"')],
        "day_type",
        'traffic.flows[1].day_type = "Sunday": must be one of "weekday", "saturday", "sunday"; '
        'did you mean "sunday"?',
    ),
    "unknown profile": (
        REAL,
        [('profile = "A115" ', 'profile = "A116" ')],
        '"A116"',
        'traffic.flows[1].profile = "A116": must be one of "A115", "I94"; did you mean "A115"?',
    ),
    "profile without heavy vehicles": (
        REAL,
        [('profile = "A115" ', 'profile = "I94" ')],
        "[[traffic.flows]]",
        "traffic.flows[1]: 'heavy_share' is missing (one number, or 24 for the hours; "
        "this profile did not count heavy vehicles)",
    ),
    "profile without day": (
        REAL,
        [('day_type = "weekday"', "")],
        "[[traffic.flows]]",
        'traffic.flows[1]: \'day_type\' is missing ("weekday", "saturday" or "sunday" of the '
        "profile)",
    ),
    "two ways to give a flow": (
        POST,
        [("hourly_veh_h = [", "flow_veh_h = 900\nhourly_veh_h = [")],
        "[[traffic.flows]]",
        "traffic.flows[1]: flow_veh_h and hourly_veh_h exclude each other: give exactly one of "
        "flow_veh_h, hourly_veh_h, daily_veh with hourly_share, or profile with day_type",
    ),
    "day without hours": (
        WALL,
        [("flow_veh_h = 1100", "daily_veh = 19000")],
        "[[traffic.flows]]",
        "traffic.flows[1]: daily_veh alone does not give the hours: give exactly one of "
        "flow_veh_h, hourly_veh_h, daily_veh with hourly_share, or profile with day_type",
    ),
    "no flow": (
        WALL,
        [("flow_veh_h = 1100", "#")],
        "[[traffic.flows]]",
        "traffic.flows[1]: the flow is missing: give exactly one of "
        "flow_veh_h, hourly_veh_h, daily_veh with hourly_share, or profile with day_type",
    ),
    "no mix": (
        WALL,
        [("heavy_mix =", "# heavy_mix =")],
        "[[traffic.flows]]",
        "traffic.flows[1]: 'heavy_mix' is missing (shares of the heavy vehicles, summing to 1)",
    ),
    "lane shares of another road": (
        REAL,
        [("[0.52, 0.48]", "[0.5, 0.3, 0.2]")],
        "light_lane_share",
        "traffic.flows[1].light_lane_share: must hold one value for each lane of 'inbound', "
        "outer lane first: 2; it holds 3",
    ),
    "nothing moves the air": (
        WALL,
        [
            ("flow_veh_h = 1100", "flow_veh_h = 0"),
            (WALL[WALL.index("[air.wind]") : WALL.index("[[mounts]]")], ""),
        ],
        "[[traffic.flows]]",
        "traffic.flows: no vehicle passes in the hours computed and the air is still: "
        "nothing to compute",
    ),
    "headway too long for the flow": (
        WALL,
        [("minimum_s = 1.0", "minimum_s = 5.0"), ("flow_veh_h = 1100", "flow_veh_h = 1150")],
        "[[traffic.flows]]",
        "traffic.flows[1]: lane 'near 1' would carry 742 veh/h at hour 10; headway minimum_s = 5 s "
        "lets fewer than 720 veh/h pass",
    ),
    "endless platoon": (
        WALL,
        [("bunching_s = 7.5", "bunching_s = 60"), ("flow_veh_h = 1100", "flow_veh_h = 1300")],
        "[[traffic.flows]]",
        "traffic.flows[1]: lane 'near 1' would carry 839 veh/h at hour 10; the headway's bunching "
        "leaves no free vehicle then; lower it",
    ),
    "bunching twice": (
        WALL,
        [("bunching_s = 7.5", "bunching_s = 7.5, tanner = true")],
        "headway",
        'traffic.headway: model = "cowan_m3" needs exactly one of bunching_s, bunching_factor, '
        "tanner = true; given: bunching_s and tanner",
    ),
    "bunching of another model": (
        WALL,
        [("cowan_m3", "shifted_exponential")],
        "headway",
        'traffic.headway.bunching_s = 7.5 s: only for model = "cowan_m3"',
    ),
    "minimum missing": (
        WALL,
        [("minimum_s = 1.0, ", "")],
        "headway",
        "traffic.headway: 'minimum_s' is missing (model = \"cowan_m3\" needs it, in s)",
    ),
    "lanes on lanes": (
        POST,
        [("edge_offset_m = -19.1 ", "edge_offset_m = -10 ")],
        "edge_offset_m = -10",
        "road.carriageways[2].edge_offset_m = -10.0 m: its lanes lie on those of 'near' between "
        "y = -7.3 and -2.7 m; lanes of a forward carriageway reach from the edge line to lower y, "
        "those of a backward one to higher y",
    ),
    "own vehicle without speed": (
        POST,
        [("[air]", OWN), USED],
        "[traffic]",
        "traffic: 'tanker' is your own vehicle and has no speed: add [traffic.speeds.tanker]",
    ),
    "own vehicle too full": (
        POST,
        [("[air]", OWN), ("frontal_area_m2 = 9", "frontal_area_m2 = 19"), USED],
        "frontal_area_m2",
        "vehicles.tanker: frontal_area_m2 = 19 m²: is more than width_m x height_m = 10.00 m² "
        "can hold",
    ),
    "own vehicle under a catalogue name": (
        POST,
        [("[air]", OWN.replace("tanker", "coach"))],
        "[vehicles.coach]",
        "vehicles.coach: the catalogue has a vehicle of this name; choose another one",
    ),
    "own vehicle under the name of the air's share": (
        POST,
        [("[air]", OWN.replace("tanker", "ambient"))],
        "[vehicles.ambient]",
        "vehicles.ambient: a vehicle's name must be letters, digits and '_' (not 'ambient'), "
        "40 at most",
    ),
    "name that is a path": (
        POST,
        [('name = "post"', 'name = "../post"')],
        '"../post"',
        "mounts[1].name = \"../post\": must be 1 to 40 letters, digits, spaces, '.', '_' or '-', "
        "starting with a letter, a digit or '_'",
    ),
    "two-line title": (
        POST,
        [('title = "Post', 'title = "A\\nPost')],
        "title",
        'title = "A\\nPost beside a dual carriageway, one day in still air": must be one line of '
        "1 to 200 printable characters",
    ),
    "single brackets": (
        POST,
        [("[[mounts]]", "[mounts]")],
        "[mounts]",
        "mounts: must be written [[mounts]], in double brackets, once for each",
    ),
    "key in the wrong table": (
        POST,
        [("still = true ", "still = true\nmax_rounds = 2 ")],
        "max_rounds = 2",
        "air: unknown key 'max_rounds'; it belongs in [compute]",
    ),
    "unknown table": (
        POST,
        [("[compute]", "[Compute]")],
        "[Compute]",
        "unknown table [Compute]; did you mean [compute]?",
    ),
    "factor for a road that is not there": (
        POST,
        [("[air]", "[traffic.lane_speed_factor]\nneer = [1, 1]\n[air]")],
        "neer",
        'traffic.lane_speed_factor.neer: no carriageway of this name; did you mean "near"?',
    ),
}


@pytest.mark.parametrize("label", ONE_MISTAKE)
def test_one_mistake_gives_one_line_with_its_place(label: str) -> None:
    text, changes, row, message = ONE_MISTAKE[label]
    text = edited(text, *changes)
    number = _line(text, row)
    if label == "23 hours":
        number = text.split("\n").index("hourly_veh_h = [", number) + 1
    assert problems(text) == [f"x.toml:{number}: {message}"]


MISSING = {
    "title = ": "'title' is missing (one line, shown on every output)",
    "study = ": '\'study\' is missing ("traffic", "single_pass", "mounting_map", "lookup_table" '
    'or "single_pass_table")',
    "[traffic]": 'table [traffic] is missing; study = "traffic" needs it',
    "[[mounts]]": "table [[mounts]] is missing: where the rotor hangs, one table for each",
    "[road]": "table [road] is missing: the road and its [[road.carriageways]]",
}


@pytest.mark.parametrize("start", MISSING)
def test_what_is_missing_at_the_top_has_no_line(start: str) -> None:
    rows, keep = [], True
    for row in WALL.split("\n"):
        if row.startswith("["):
            keep = row.strip("[]").split(".")[0] != start.strip("[]") or " = " in start
        if keep and not row.startswith(start):
            rows.append(row)
    assert problems("\n".join(rows)) == [f"x.toml: {MISSING[start]}"]


def test_all_problems_of_a_file_come_at_once_and_in_its_order() -> None:
    text = edited(
        POST,
        ("lanes = 2 ", 'lanes = "two" '),
        ("seed = 20260101", "sed = 20260101"),
        ("heavy_share = [", "heavy_share = 8\nheavy = ["),
        ("0.40]", "0.30]"),
        ("temperature_c = 15.0", "temperature_c = 500"),
        ("offset_m = 4.5 ", ""),
        ("tolerance = 0.02 ", "tolerance = -1 "),
    )
    found = problems(text)
    lines = [int(line.split(":")[1]) for line in found]
    assert lines == sorted(lines)
    joined = "\n".join(found)
    for part in (
        'lanes = "two": must be a whole number, not text',
        "unknown key 'sed'; did you mean 'seed'?",
        "heavy_share = 8: must be at least 0 and at most 1",
        "unknown key 'heavy'",
        "temperature_c = 500 °C",
        "'offset_m' is missing (y of the rotor axis, in m)",
        "tolerance = -1: must be greater than 0 and at most 0.5",
    ):
        assert part in joined
    assert len(found) == 7


def test_sums_are_checked_beside_other_mistakes() -> None:
    text = edited(POST, ("seed = 20260101", "seed = -1"), ("small_car = 0.62", "small_car = 0.5"))
    assert [line.split(": ")[1] for line in problems(text)] == [
        "traffic.seed = -1",
        "traffic.flows[1].light_mix",
    ]


def test_a_wrong_own_vehicle_is_not_called_unknown_as_well() -> None:
    text = edited(POST, ("[air]", OWN), ("length_m = 10", "length_m = 1000"), USED)
    assert [line.split(": ", 1)[1] for line in problems(text)] == [
        "vehicles.tanker.length_m = 1000 m: must be at least 0.1 m and at most 60 m"
    ]


def test_wild_keys_and_values_stay_on_one_short_line() -> None:
    text = edited(POST, ("[compute]", f'[compute]\n"a\\nb{"x" * 500}" = 1\nstart_hour = {10**30}'))
    for line in problems(text):
        assert "\n" not in line
        assert len(line) < 250
