"""What is read of recorded answers of smartctl, against the values that a reader should find.

`expected.json` of the collection says where each document comes from (test data of two public
projects, identities replaced) and what is in it: null where the document does not say.
"""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

import pytest

from tests.conftest import corpus_folder
from tests.support.mutations import mutations
from verify.platforms.health_document import read_health

if TYPE_CHECKING:
    from pathlib import Path

    from verify.platforms.health import HealthAnswer

NAMES = {
    "bytes": "size_bytes",
    "logical_block_size": "logical_block_bytes",
    "physical_block_size": "physical_block_bytes",
    "reported_uncorrect": "reported_uncorrectable",
    "scsi_uncorrected_total": "scsi_uncorrected",
}
"""Fields that the collection has another name for."""


def collection() -> Path:
    """Return the folder of documents, which lies beside that of the images."""
    return corpus_folder().parent / "health"


def documents() -> dict[str, dict[str, Any]]:
    """Return what is expected of each document; none where there is no collection."""
    path = collection() / "expected.json"
    return dict(json.loads(path.read_text("utf-8"))["documents"]) if path.exists() else {}


def read(name: str) -> HealthAnswer:
    """Return what is read of a document."""
    return read_health((collection() / name).read_bytes())


def test_collection_when_counted_then_it_has_documents(corpus: Path) -> None:
    """Without them nothing below would hold anything."""
    assert (corpus.parent / "health").is_dir()
    assert len(documents()) >= 23


@pytest.mark.usefixtures("corpus")
@pytest.mark.parametrize("name", documents())
def test_document_when_read_then_it_has_the_expected_values(name: str) -> None:
    """Each value, and nothing where the document does not say."""
    answer = read(name)
    found: dict[str, Any] = {}
    for field in documents()[name]["expect"]:
        value = getattr(answer, NAMES.get(field, field))
        found[field] = [item.id for item in value] if isinstance(value, tuple) else value
    assert found == documents()[name]["expect"]
    assert (answer.reason is not None) == (name == "no-device.json")


@pytest.mark.usefixtures("corpus")
@pytest.mark.parametrize("name", documents())
def test_document_when_read_then_it_counts_starts_and_says_the_version(name: str) -> None:
    """The fields of the document itself: what `expected.json` does not list."""
    told = json.loads((collection() / name).read_text("utf-8"))
    answer = read(name)
    assert answer.tool_version == ".".join(map(str, told["smartctl"]["version"]))
    assert answer.power_cycles == told.get("power_cycle_count")
    scsi = told.get("scsi_start_stop_cycle_counter", {}).get("accumulated_start_stop_cycles")
    table = told.get("ata_smart_attributes", {}).get("table", [])
    ata = [row["raw"]["value"] for row in table if row["id"] == 4]
    assert answer.start_cycles == (ata[0] if ata else scsi)
    nvme = told.get("nvme_smart_health_information_log", {})
    assert answer.available_spare_threshold == nvme.get("available_spare_threshold")


@pytest.mark.usefixtures("corpus")
@pytest.mark.parametrize("name", documents())
def test_document_when_a_value_is_hostile_then_there_is_an_answer(name: str) -> None:
    """Other types, huge numbers, depth, a key twice: never a crash, no number out of bounds."""
    document = json.loads((collection() / name).read_text("utf-8"))
    for what, text in mutations(document, every=97):
        answer = read_health(text.encode("utf-8", "surrogatepass"))
        numbers = [value for value in vars_of(answer) if isinstance(value, int)]
        assert all(-100 <= number < 1 << 66 for number in numbers), what


def vars_of(answer: HealthAnswer) -> list[object]:
    """Return the values of an answer."""
    return [getattr(answer, name) for name in answer.__slots__]
