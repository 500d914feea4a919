"""Sentences of the comparison that its outputs share."""

from __future__ import annotations

SLOW_S = 60.0

AMBIENT_EXCUSE = " (wind other than the case's is part of it)"

NEEDS_COMPONENTS = (
    "--ambient record needs u_m_s and v_m_s (or speed and direction with --road-bearing) of an "
    "instrument that shows them: the slow wind cannot be taken off a speed alone"
)

SLOW_FROM_RECORD = "the slow wind is taken off both"

AMBIENT_WORDS = {
    "case": (
        "Ambient wind: that of the case, constant in the mean. What the record's wind does slowly "
        "cannot be told from the model's drift and slow wakes, so mean, effective speed, standard "
        "deviation and time above cut-in judge case and model together."
    ),
    "mast": (
        f"Ambient wind: that of the ambient mast: its mean, its slow changes (running mean over "
        f"{SLOW_S:g} s) in the modelled air and taken off average passes, its gusts by their "
        "strength. So mean and effective speed judge the model itself, as far as the wind at mast "
        "and road is the same."
    ),
    "record": (
        f"Ambient wind: the running mean over {SLOW_S:g} s was taken off both components of record "
        "and model, and with it everything slow that traffic does (drift, old wakes). Only what "
        "is faster is compared; gusts of the wind faster than that are still in the record."
    ),
}

NEEDS_LOG = (
    "clock of the traffic log against that of the record",
    "average passes by class, their pulse and their wake",
    "single passes and blocks (bias, scatter, factor of two, correlation)",
    "decay of the wake after lorries and, with a second anemometer (--second), its profile",
    "fitted constants of the model (--fit)",
)

METHOD_LOG = (
    "The model made the air of exactly the logged passes, at the instrument's place.",
    "The log's clock was laid on the record's by the highest correlation; where it stands out, the "
    "offset was applied. It is found with the record itself, which helps correlation and peaks a "
    "little.",
    "Turbulence was drawn at random, several times; what the log does not know (place in the lane) "
    "likewise.",
)
METHOD_NO_LOG = (
    "The case's own traffic of the same clock hours was simulated at the instrument's place; other "
    "vehicles than the real ones, so only statistics are compared.",
)
METHOD = (
    "The modelled air was read by the described instrument (path, response, starting speed, mean "
    "of the logger, noise, steps) at the record's own sampling, gaps included where there is a "
    "log, and both records went through the same averages.",
    "Sampling intervals (90 %) come from resampling blocks of the records; with a log the same "
    "blocks of both, so that the vehicles cancel in the ratio. The model interval moves each "
    "uncertain constant to both ends of its range and adds the changes as the root of the sum of "
    "squares.",
    "A verdict is on the model as the case has it: only the sampling intervals excuse a "
    "difference, and one verdict in ten misses by chance. Whether the "
    "model interval reaches as far is said beside it.",
)

LIMITS = (
    "Agreement of one record at one place does not validate the model elsewhere, and a number that "
    "agrees can hide errors that cancel.",
    "Blocks are treated as independent. Wind wanders for hours: the intervals of short records are "
    "too narrow for other days.",
    "Vehicles that are not logged, and traffic of the case that differs from the real one, count "
    "as errors of the model.",
    "Mean wind and sustained drift cannot be told apart at one mast; an ambient mast out of the "
    "traffic's reach can (--ambient-mast).",
)

FITTED_CAUTION = (
    "Constants fitted to this record must not be judged by this record: compare the fitted case "
    "with other days."
)
