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
    Level.STOP: say("not proven to be on the new drive, or it would not start"),
    Level.REVIEW: say("a person must decide"),
    Level.NOTE: say("good to know"),
}

NEXT_STEPS = {
    "sound": (
        say("Put the new drive into the machine alone and start it."),
        say("Wipe the old drive only after that; make sure that important data has a backup."),
    ),
    "review": (
        say("Keep the old drive as it is. Read what stands under REVIEW and under NOT EXAMINED."),
        say(
            "Put right what can be put right and check again; what remains is for a person"
            " to decide."
        ),
    ),
    "stop": (
        say("Keep the old drive as it is, and do not hand the new one over."),
        say(
            "Follow the advice under STOP (repair the new drive, or clone again), then check again."
        ),
    ),
}

NEXT_WITHOUT_DRIVE = (
    say("No drive was read: check the old drive itself before anything is decided about it."),
)
"""What to do where nothing stands against what was examined, and it was no whole drive."""

COPY_FIRST = say("Copy the listed files from the old drive to the new one, and check again.")

SAME_IDENTITY = say(
    "Both drives carry the same identity. A machine that starts with both attached"
    " may start from the wrong one, or change the identity of one of them."
)

CAUTIONS = (
    say("Never attach both drives to a machine while it starts."),
    say("Power down and discharge before opening a machine."),
    say("This verdict is evidence, not permission: it covers what was examined, and nothing else."),
)
