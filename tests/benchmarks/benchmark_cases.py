"""The cases that are timed, as texts, in three sizes: full, short to try, tiny to compile."""

from __future__ import annotations

import ast
import re
from collections.abc import Callable

from wakesim.runtime import cases_path

FULL, SHORT, TINY = "full", "short", "tiny"
LEAST_SAMPLES = 64  # that an uncertain yield may have


def changed(text: str, **values: object) -> str:
    """A case with other values of keys; each must stand there once, on a line of its own.

    Raises ValueError otherwise.
    """
    for key, value in values.items():
        text, count = re.subn(rf"^{key} = [^\n]*$", f"{key} = {value}", text, flags=re.MULTILINE)
        if count != 1:
            raise ValueError(f"{key} stands {count} times in the case")
    return text


def main(text: str, size: str) -> str:
    """The day beside the expressway: an hour when short, three minutes of one when tiny."""
    if size == FULL:
        return text
    hours = 1.0 if size == SHORT else 0.05
    return changed(text, duration_h=f"{hours}\nstart_hour = 7\nmax_rounds = 1")


def moved(text: str, size: str) -> str:
    """The same with the post half a metre further out."""
    return changed(main(text, size), offset_m=5.0)


def mounting_map(text: str, size: str) -> str:
    """The map of 40 x 30 places, 20 x 15, or 4 x 3."""
    across, up = {FULL: (40, 30), SHORT: (20, 15), TINY: (4, 3)}[size]
    span = "{{ from_m = {}, to_m = {}, count = {} }}".format
    values = {"offset_m": span(-22.0, 9.2, across), "height_m": span(1.2, 8.45, up)}
    head, body = text.split("[map]", 1)
    return head + "[map]" + changed(body, **values)


def lookup_table(text: str, size: str) -> str:
    """The table of 33 600 states; every second value of each axis, or the first two."""
    head, body = text.split("[table]", 1)

    def fewer(found: re.Match[str]) -> str:
        values = ast.literal_eval(found[2])
        kept = values[:2] if size == TINY else [*values[:-1:2], values[-1]]
        return f"{found[1]} = {kept}"

    if size != FULL:
        body = re.sub(r"^(\w+) = (\[[^\]\n]*\])", fewer, body, flags=re.MULTILINE)
    return head + "[table]" + body


def uncertain_yield(text: str, size: str, samples: int = LEAST_SAMPLES) -> str:
    """The year of a rotor with as many samples in every version."""
    text = changed(text, samples=samples)
    if size == FULL:
        return text
    hours = 1.0 if size == SHORT else 0.05
    seconds = 60.0 if size == SHORT else 20.0
    text = text.replace("[energy]\n", f"[energy]\nsample_per_hour_s = {seconds}\n")
    return text + f"\n[compute]\nduration_h = {hours}\nstart_hour = 7\nmax_rounds = 1\n"


def certain_yield(text: str, size: str) -> str:
    """The same without samples."""
    return uncertain_yield(text, size, 0)


def posts(text: str, size: str) -> str:
    """The year at 100 posts of different places (8 when short, 2 when tiny); records by their
    whole path."""
    count = {FULL: 100, SHORT: 8, TINY: 2}[size]
    head, body = text.split("[[mounts]]", 1)
    records = cases_path("year").as_posix()
    mounts = "".join(
        f'[[mounts]]\nname = "post {k}"\nkind = "post"\noffset_m = {4.2 + 0.08 * k:.2f}\n'
        f"height_m = {1.5 + 0.2 * (k % 10):.1f}\nrotor_width_m = 1.0\nrotor_height_m = 2.0\n\n"
        for k in range(count)
    )
    return head.replace('"year/', f'"{records}/') + mounts + body[body.index("[rotor]") :]


# What is timed: the example it is made from, and how.
CASES: dict[str, tuple[str, Callable[[str, str], str]]] = {
    "main": ("expressway-post", main),
    "moved": ("expressway-post", moved),
    "map": ("mounting-map", mounting_map),
    "table": ("lookup-table", lookup_table),
    "yield": ("energy-yield", uncertain_yield),
    "certain": ("energy-yield", certain_yield),
    "posts": ("year", posts),
}
