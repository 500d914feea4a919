"""A claim check in plain lines and as a record, energies and shares as text; nothing heavy."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

from wakesim.outputs.wording import significant

if TYPE_CHECKING:
    from wakesim.energy.claims import ClaimCheck, Implied


def energy(kwh: float) -> str:
    """An energy with a unit that leaves few zeros."""
    size = abs(kwh)
    if size >= 1.0 or size == 0.0:
        return f"{significant(kwh)} kWh"
    if size >= 1e-3:
        return f"{significant(1e3 * kwh)} Wh"
    return f"{significant(1e6 * kwh)} mWh"


def share(part: float) -> str:
    """A share as a percentage with two digits."""
    if not math.isfinite(part):
        return "an unknown share"
    return f"{significant(100.0 * part, 2)} %"


def implied_value(implied: Implied) -> str:
    """A derived figure, three digits of it, with its unit; shares as percentages."""
    value = float(f"{implied.value:.3g}")
    if implied.unit == "kWh":
        return energy(value)
    if implied.unit != "1":
        return f"{significant(value)} {implied.unit}"
    if implied.name.startswith("share"):
        return share(value)
    return significant(value)


def claim_lines(check: ClaimCheck) -> list[str]:
    """The check as plain lines: what is implied, what was compared, the verdict."""
    lines = ["What the stated figures imply:"] if check.implied else []
    lines += [f"  {i.name}: {implied_value(i)} ({i.how})" for i in check.implied]
    if check.findings:
        lines.append("What was compared:")
        lines += [f"  [{f.kind}] {f.text}" for f in check.findings]
    return [*lines, f"Verdict: {check.verdict}"]


def claim_record(check: ClaimCheck) -> dict[str, Any]:
    """The check for programs; a factor without limit is null."""
    return {
        "implied": [
            {"name": i.name, "value": i.value, "unit": i.unit, "how": i.how} for i in check.implied
        ],
        "findings": [
            {
                "kind": f.kind,
                "factor": f.factor if math.isfinite(f.factor) else None,
                "text": f.text,
            }
            for f in check.findings
        ],
        "verdict": check.verdict,
    }
