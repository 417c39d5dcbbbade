"""Sentences that stand in every report: what a level means, what to do next, what to beware of."""

from __future__ import annotations

from verify.rules.rule import Level
from verify.text.message import Message, say

ABSENT = "-"
"""Stands where a side has no such thing."""

LEVELS: dict[str, Message] = {
    "stop": say("stop"),
    "review": say("review"),
    "note": say("note"),
    "sound": say("sound"),
    ABSENT: say("-"),
}
HEADINGS = {
    "stop": say("STOP"),
    "review": say("REVIEW"),
    "note": say("NOTE"),
    "sound": say("SOUND"),
}
"""Each level, and each verdict, as it heads what follows."""

MARKS = {"stop": "X", "review": "?", "note": "-", "sound": "OK"}
"""Each level and verdict by a sign of its own, beside its word."""

LEVEL_TITLES = {
    Level.STOP: say("missing or damaged on the new drive, or it would not start"),
    Level.REVIEW: say("a person must decide"),
    Level.NOTE: say("good to know"),
}

ALL_NAMES = say("All of them: --differences FILE.csv --names")
"""Stands below the names of a few of many files."""

NEXT_STEPS = {
    "sound": (
        say("Put the new drive into the computer, without the old one, and start it."),
        say("Wipe the old drive only after that; make sure that important data has a backup."),
    ),
    "review": (
        say("Keep the old drive unchanged. Read what is listed under REVIEW and NOT EXAMINED."),
        say("Fix what can be fixed and check again. Then a person decides about the rest."),
    ),
    "stop": (
        say("Keep the old drive unchanged, and do not hand the new one over."),
        say(
            "Follow the advice under STOP (repair the new drive, or clone again), then check again."
        ),
    ),
}

NEXT_WITHOUT_DRIVE = (
    say("The old drive itself was not read: check it before you decide anything about it."),
)
"""What to do where no reason was found, but less than a whole drive was examined."""

COPY_FIRST = say("Copy the listed files from the old drive to the new one, and check again.")

SAME_IDENTITY = say(
    "Both drives have the same identifiers. With both attached, a computer"
    " may start from the wrong one or change the identifiers of one."
)

CAUTIONS = (
    say("Never start a computer with both drives attached."),
    say("Switch a computer off, unplug it and ground yourself before you open it."),
    say("This verdict is evidence, not permission: it covers only what was examined."),
)
