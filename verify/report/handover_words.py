"""What stands on every handover: what to check off, what to fill in, what a clone never brings."""

from __future__ import annotations

from verify.rules.rule import Result
from verify.text.message import say

CHECKLIST = (
    say("This report was read, and saved on neither of the two drives."),
    say("The new drive was checked before its first start."),
    say("The computer started from the new drive alone, with the old drive disconnected."),
    say("The recovery environment on the new drive was started once."),
    say("Files that the customer chose were opened on the new drive."),
    say("The recovery key of every encrypted volume is at hand; licences and activations too."),
    say("Important data has a backup (a clone is not a backup)."),
    say("The serial number of the drive to be wiped was read again, and is the old drive's."),
    say("The old drive is kept as it is until (date): ____________________"),
)

ANSWERS = {
    Result.SAME: say("same"),
    Result.DIFFERENT: say("different"),
    Result.NOT_APPLICABLE: say("not applicable"),
    Result.NOT_EXAMINED: say("not examined"),
    Result.CRASHED: say("failed"),
}

DEPTHS = {
    "layout": say(
        "tables, and names, sizes and times of all files; contents only of files needed to start"
    ),
    "sample": say("tables, names, sizes and times of all files, and the contents of a sample"),
    "full": say("tables, names, sizes and times of all files, and all contents"),
}
"""What was read of a drive, by the depth of its capture."""

ONLY_NOTES = say("No problems were found. The notes below are good to know.")
NOTHING_FOUND = say("No problems were found.")

TO_COPY_TITLE = say("To copy from the old drive: changed or created there after the clone")
MOST_TO_COPY = 40
"""Files to copy that a report names; the list that `--differences` writes has them all."""

NEVER_CLONED = say(
    "Not checked: earlier versions of files in snapshots (shadow copies,"
    " restore points), and deleted files that could still be recovered from"
    " the old drive. A clone often lacks both; once the old drive is wiped,"
    " they are gone."
)

SIGNATURES = (say("Technician"), say("Customer"))
SIGNATURE_FIELDS = (say("name"), say("date"), say("signature"))

WIPE_INTRODUCTION = say(
    "Fill this in when the old drive is wiped, not before. Compare model and"
    " serial number with the label on the drive in your hand."
)

# SPEC: NIST SP 800-88r1, appendix G, "Sample Certificate of Sanitization Form". Revision 2 of
# September 2025 superseded it; its own text was not read.
WIPE_FIELDS = (
    (say("Manufacturer"), ""),
    (say("Model"), ""),
    (say("Serial number, read again"), ""),
    (say("Property number"), ""),
    (say("Media type"), say("hard disk, flash, hybrid, other")),
    (say("Source"), say("person or machine it comes from")),
    (say("Classification of the data before"), ""),
    (say("Classification of the data after"), ""),
    (say("Kind of sanitisation"), say("clear, purge or destroy")),
    (say("Technique"), say("for example overwriting, block erase, cryptographic erase")),
    (say("Tool and its version"), ""),
    (say("How it was verified"), say("all of it, a sample, not verified")),
    (say("Done by: name and title"), ""),
    (say("Date"), ""),
    (say("Place"), ""),
    (say("Signature"), ""),
)
