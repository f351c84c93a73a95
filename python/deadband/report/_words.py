"""The sentences of the page and the command line that do not depend on the data."""

from __future__ import annotations

from typing import Final

CAUTIONS: Final = (
    (
        "Carbon monoxide, fuel gas and mains voltage kill. Work on an appliance is for those "
        "licensed to do it."
    ),
    "Never bypass or jumper a safety switch, not even for the length of a test.",
    "Licensed practice, the maker's instructions and local codes come before anything here.",
    "A verdict speaks of one recording. It is no permission to operate an appliance.",
)

CAUTION_LINE: Final = (
    "Caution: carbon monoxide, fuel gas and mains voltage kill; never bypass or jumper a safety "
    "switch; licensed practice, the maker's instructions and local codes come first; "
    "a verdict is no permission to operate."
)

# What happened, and what to do about it.
STATUS: Final = {
    "no_event": (
        "The contact never changed.",
        (
            "Check that the meter was on the switch's contact and that the pressure passed the "
            "setpoint in both directions, then test again."
        ),
    ),
    "too_few_samples": (
        "There are too few readings to work with.",
        "Log faster, move the pressure more slowly, or record for longer.",
    ),
    "time_not_increasing": (
        "A time stamp does not lie after the one before it.",
        (
            "Sort the recording by time, or mend the logger's clock. Where it counts whole seconds "
            "only, have the rows counted (interval_s in the manifest) instead of dropping them."
        ),
    ),
    "not_finite": (
        "A time or a pressure is not a number.",
        "Leave the missing samples out of the recording instead of filling them in.",
    ),
    "length_mismatch": (
        "Channels that share a clock differ in length.",
        "Export the recording again; if the contact was logged by itself, give its own times.",
    ),
    "saturated": (
        "The reading stood at the end of the gauge's range when the contact changed.",
        "Test again with a gauge of wider range.",
    ),
    "contact_ambiguous": (
        "The contact channel shows no two clear levels, or which of them is closed cannot be told.",
        "Look at the channel; mend the meter's connection, or state the levels and the sense.",
    ),
    "event_at_edge": (
        "The contact changed too close to the start or the end of the recording.",
        "Start the recording earlier and end it later.",
    ),
    "lag_unidentified": (
        "The lag of the gauge could not be told from these tests, and none was stated.",
        (
            "Test at clearly different rates with this gauge, or state its lag in the gauges "
            "table. Slow ramps tell it; a pinch does not, and has no setpoint without it."
        ),
    ),
    "missing_value": (
        "Something that the step needs is missing: the recording, or the rating of the switch.",
        "Where more is known, the reason stands beside the test.",
    ),
    "bad_value": (
        "A value is impossible, in the recording or in the rating of the switch.",
        "Where more is known, the reason stands beside the test.",
    ),
    "duplicate_id": (
        "Two recordings carry the same identifier.",
        "Give each recording an identifier of its own.",
    ),
}
_UNKNOWN: Final = ("The recording gave no numbers.", "Look at the recording itself.")

VERDICT: Final = {
    "conforms": "conforms",
    "undecided": "undecided",
    "does_not_conform": "does not conform",
}
METHOD: Final = {"ramp": "slow ramp", "in_service": "in service", "pinch": "pinch"}
SOURCE: Final = {
    "rates": "tests at different rates",
    "step": "a step",
    "reference": "a reference channel",
    "stated": "stated",
    "pooled": "several ways",
}


def status_words(status: str | None) -> tuple[str, str]:
    """What happened and what to do, for a status code.

    >>> status_words("saturated")[1]
    'Test again with a gauge of wider range.'
    """
    return STATUS.get(status or "", _UNKNOWN)


def spaced(code: str | None) -> str:
    """A code as words.

    >>> spaced("no_event")
    'no event'
    """
    return (code or "none").replace("_", " ")
