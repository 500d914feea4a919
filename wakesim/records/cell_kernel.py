"""Compiled scanner of logger files: bytes of whole lines to numbers and times.

A logger at 50 Hz writes 4.3 million lines a day; a scanner that walks the bytes once reads them in
a few seconds. Numbers are exact: up to 2^53 a mantissa is an exact double and so is a power of ten
up to 10^22, so their one quotient or product is the correctly rounded value (W. D. Clinger, How to
read floating point numbers accurately, PLDI 1990). That needs true divisions: no fastmath here.
What does not fit (more digits, other words) is handed back by its position for a slower look.

Times are ISO 8601, YYYY-MM-DD, T or a space, hh:mm, :ss, decimals, then Z, +hh, +hhmm or +hh:mm, or
nothing; days are counted with the civil-calendar formula (proleptic Gregorian, from memory).
"""

from __future__ import annotations

import numba
import numpy as np

SKIP, NUMBER, TIME = 0, 1, 2  # kinds of columns
ODD_CELL, WRONG_COUNT = 0, 1  # kinds of events
NO_OFFSET = 100_000  # offset of a time without one, minutes

_POWERS = 10.0 ** np.arange(23)
_SPACE, _TAB, _CR, _LF, _QUOTE, _HASH = 32, 9, 13, 10, 34, 35
_ZERO, _NINE = 48, 57


@numba.njit(cache=True, error_model="numpy")
def _digits(data, start, stop, count):
    """Value of exactly ``count`` digits from ``start`` on, -1 when there are not."""
    if start + count > stop:
        return -1
    value = 0
    for i in range(start, start + count):
        if data[i] < _ZERO or data[i] > _NINE:
            return -1
        value = 10 * value + (data[i] - _ZERO)
    return value


@numba.njit(cache=True, error_model="numpy")
def _days_from_civil(year, month, day):
    """Days since 1970-01-01."""
    year -= month <= 2
    era = year // 400
    of_era = year - era * 400
    of_year = (153 * (month + (-3 if month > 2 else 9)) + 2) // 5 + day - 1
    return era * 146097 + of_era * 365 + of_era // 4 - of_era // 100 + of_year - 719468


@numba.njit(cache=True, error_model="numpy")
def _month_length(year, month):
    if month == 2:
        leap = (year % 4 == 0 and year % 100 != 0) or year % 400 == 0
        return 29 if leap else 28
    return 30 if month in (4, 6, 9, 11) else 31


@numba.njit(cache=True, error_model="numpy")
def _offset_minutes(data, i, stop):
    """(found, minutes) of what follows the time of day."""
    if i == stop:
        return True, NO_OFFSET
    if data[i] == 90 or data[i] == 122:  # Z or z
        return i + 1 == stop, 0
    if data[i] != 43 and data[i] != 45:  # + or -
        return False, 0
    hours = _digits(data, i + 1, stop, 2)
    rest = i + 3
    if rest < stop and data[rest] == 58:
        rest += 1
    minutes = 0
    if rest < stop:
        minutes = _digits(data, rest, stop, 2)
        rest += 2
    elif data[rest - 1] == 58:
        return False, 0
    if hours < 0 or hours > 14 or minutes < 0 or minutes > 59 or rest != stop:
        return False, 0
    total = 60 * hours + minutes
    return True, (total if data[i] == 43 else -total)


@numba.njit(cache=True, error_model="numpy")
def parse_time(data, start, stop):
    """(found, microseconds since 1970 of the local time, offset from UTC in minutes) of a cell.

    ``data`` uint8 bytes, of which [start, stop) is the cell. The offset is NO_OFFSET without one.
    """
    year = _digits(data, start, stop, 4)
    month = _digits(data, start + 5, stop, 2)
    day = _digits(data, start + 8, stop, 2)
    hour = _digits(data, start + 11, stop, 2)
    minute = _digits(data, start + 14, stop, 2)
    if year < 1900 or year > 2199 or month < 1 or month > 12 or day < 1:
        return False, 0, 0
    if hour < 0 or hour > 23 or minute < 0 or minute > 59 or day > _month_length(year, month):
        return False, 0, 0
    if data[start + 4] != 45 or data[start + 7] != 45 or data[start + 13] != 58:
        return False, 0, 0
    if data[start + 10] != 84 and data[start + 10] != 116 and data[start + 10] != _SPACE:
        return False, 0, 0
    i = start + 16
    second, micro = 0, 0
    if i < stop and data[i] == 58:
        second = _digits(data, i + 1, stop, 2)
        if second < 0 or second > 59:
            return False, 0, 0
        i += 3
        if i < stop and data[i] == 46:
            i += 1
            first, scale = i, 100_000
            while i < stop and data[i] >= _ZERO and data[i] <= _NINE:
                digit = data[i] - _ZERO
                if i - first == 6 and digit >= 5:
                    micro += 1
                micro += digit * scale
                scale //= 10
                i += 1
            if i == first:
                return False, 0, 0
    good, offset = _offset_minutes(data, i, stop)
    seconds = _days_from_civil(year, month, day) * 86400 + hour * 3600 + minute * 60 + second
    return good, seconds * 1_000_000 + micro, offset


@numba.njit(cache=True, error_model="numpy")
def _number(data, start, stop):
    """(found, value) of a cell; not found when it needs a slower look."""
    i = start
    negative = data[i] == 45
    if negative or data[i] == 43:
        i += 1
    mantissa, digits, places = np.int64(0), 0, 0
    while i < stop and data[i] >= _ZERO and data[i] <= _NINE:
        mantissa = 10 * mantissa + (data[i] - _ZERO)
        digits += 1
        i += 1
        if mantissa > 900_000_000_000_000:
            return False, 0.0
    if i < stop and data[i] == 46:
        i += 1
        while i < stop and data[i] >= _ZERO and data[i] <= _NINE:
            mantissa = 10 * mantissa + (data[i] - _ZERO)
            digits += 1
            places += 1
            i += 1
            if mantissa > 900_000_000_000_000:
                return False, 0.0
    if digits == 0:
        return False, 0.0
    if i < stop and (data[i] == 101 or data[i] == 69):  # e, E
        i += 1
        minus = i < stop and data[i] == 45
        if i < stop and (minus or data[i] == 43):
            i += 1
        power, first = 0, i
        while i < stop and data[i] >= _ZERO and data[i] <= _NINE and i - first < 3:
            power = 10 * power + (data[i] - _ZERO)
            i += 1
        if i == first:
            return False, 0.0
        places += power if minus else -power
    if i != stop or places > 22 or places < -22:
        return False, 0.0
    value = float(mantissa)
    value = value / _POWERS[places] if places >= 0 else value * _POWERS[-places]
    return True, (-value if negative else value)


@numba.njit(cache=True, error_model="numpy")
def _cell_end(data, i, stop, delimiter):
    """(start, end of the trimmed cell, position of what ends it) from ``i`` on."""
    while i < stop and (data[i] == _SPACE or data[i] == _TAB) and data[i] != delimiter:
        i += 1
    if i < stop and data[i] == _QUOTE:
        first = i + 1
        i = first
        while i < stop and data[i] != _QUOTE and data[i] != _LF:
            i += 1
        last = i
        while i < stop and data[i] != delimiter and data[i] != _LF:
            i += 1
        return first, last, i
    first = i
    while i < stop and data[i] != delimiter and data[i] != _LF:
        i += 1
    last = i
    while last > first and (data[last - 1] == _SPACE or data[last - 1] == _CR
                            or (data[last - 1] == _TAB and delimiter != _TAB)):  # fmt: skip
        last -= 1
    return first, last, i


@numba.njit(cache=True, error_model="numpy")
def scan(data, delimiter, kinds, targets, line, values, local_us, offset_min, lines, events):
    """Read whole lines: the numbers and the time of each row, and what needs a slower look.

    ``data`` (bytes,) uint8; ``kinds`` and ``targets`` (columns,): SKIP, NUMBER with the column of
    ``values`` it goes to, TIME. ``line`` is the number of the first line. Fills ``values``
    (numbers, rows) with NaN for empty and NaN cells, ``local_us``, ``offset_min`` and ``lines``
    (rows,), and ``events`` (m, 5): row, column of the file, first and last byte, kind (with
    WRONG_COUNT the second is the number of cells). Returns (rows, events, number of the line after
    the last). Events beyond their room are dropped, so give room for one a cell.
    """
    i, stop, row, event = 0, data.size, 0, 0
    columns = kinds.size
    while i < stop:
        first = i
        while first < stop and (
            data[first] == _SPACE or data[first] == _CR or data[first] == _TAB
        ) and data[first] != delimiter:  # fmt: skip
            first += 1
        if first >= stop or data[first] == _LF or data[first] == _HASH:
            while i < stop and data[i] != _LF:
                i += 1
            i += 1
            line += 1
            continue
        begin, column = i, 0
        lines[row] = line
        while True:
            start, end, i = _cell_end(data, i, stop, delimiter)
            if column < columns and kinds[column] != SKIP:
                good = True
                if kinds[column] == NUMBER:
                    value = np.nan
                    if end > start:
                        good, value = _number(data, start, end)
                    if not good and end - start == 3:
                        good = (
                            (data[start] | 32) == 110
                            and (data[start + 1] | 32) == 97
                            and (data[start + 2] | 32) == 110
                        )
                        value = np.nan
                    values[targets[column], row] = value if good else np.nan
                else:
                    good, local_us[row], offset_min[row] = parse_time(data, start, end)
                if not good and event < events.shape[0]:
                    events[event, 0] = row
                    events[event, 1] = column
                    events[event, 2] = start
                    events[event, 3] = end
                    events[event, 4] = ODD_CELL
                    event += 1
            column += 1
            if i >= stop or data[i] == _LF:
                break
            i += 1
        if column != columns and event < events.shape[0]:
            events[event, 0] = row
            events[event, 1] = column
            events[event, 2] = begin
            events[event, 3] = i
            events[event, 4] = WRONG_COUNT
            event += 1
        row += 1
        line += 1
        i += 1
    return row, event, line
