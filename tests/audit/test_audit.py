"""The spot audit: the standard's table, exact draws and bounds, and jobs looked at again."""

from __future__ import annotations

import json
from collections import Counter
from typing import TYPE_CHECKING, Any

import html5lib
import pytest
from scipy.stats import hypergeom

from tests.archive.small import filed, header, pair
from tests.rules.cases import usual
from verify.archive.archive import make_archive
from verify.audit.audit_results import audit_document
from verify.audit.code_letters import code_letter
from verify.audit.spot_audit import Looked, Plan, Result, Stratum, plan_audit
from verify.report.audit import audit_html

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from tests.cli.command import Command

# Source: MIL-STD-105E (1989), Table I, general inspection level II, with Table II-A's sizes.
STANDARD = [
    (2, 8, "A", 2),
    (9, 15, "B", 3),
    (16, 25, "C", 5),
    (26, 50, "D", 8),
    (51, 90, "E", 13),
    (91, 150, "F", 20),
    (151, 280, "G", 32),
    (281, 500, "H", 50),
    (501, 1_200, "J", 80),
    (1_201, 3_200, "K", 125),
    (3_201, 10_000, "L", 200),
    (10_001, 35_000, "M", 315),
    (35_001, 150_000, "N", 500),
    (150_001, 500_000, "P", 800),
    (500_001, 9_000_000, "Q", 1_250),
]

DAY = 86_400


def records(count: int, **of: Any) -> list[dict[str, Any]]:
    """Return records of invented jobs, as far as a draw looks at them."""
    source = {"model": "Quire 9", "serial_source": "drive"}
    plain = {"technician": "Bell", "filed": 0, "verdict": "sound", "source": source}
    return [plain | {"job": f"J-{number}"} | of for number in range(count)]


@pytest.mark.parametrize(("first", "last", "letter", "drawn"), STANDARD)
def test_code_letter_when_a_lot_is_at_either_end_of_a_row_then_it_is_the_rows(
    first: int, last: int, letter: str, drawn: int
) -> None:
    """Both ends of every row of the standard's table."""
    assert code_letter(first) == (letter, drawn)
    assert code_letter(last) == (letter, drawn)


# Source: C(N - D, n) / C(N, n) <= 5 % in whole numbers; D is the tolerable share of N.
@pytest.mark.parametrize(
    ("jobs", "tolerable", "drawn"),
    [(100, 0.01, 95), (100, 0.05, 45), (500, 0.01, 225), (1_000, 0.01, 258), (1_000, 0.05, 57)],
)
def test_plan_when_a_row_of_the_table_is_asked_for_then_that_many_are_drawn(
    jobs: int, tolerable: float, drawn: int
) -> None:
    """The finite-population table at 95 %."""
    plan = plan_audit(records(jobs), seed="s", confidence=0.95, tolerable=tolerable)
    assert len(plan.jobs) == plan.strata[0].draw == drawn
    assert plan.strata[0].tolerable == round(jobs * tolerable)


def test_plan_when_letters_are_asked_for_then_the_standards_size_is_drawn() -> None:
    """600 jobs: letter J, 80 of them."""
    plan = plan_audit(records(600), seed="s", confidence=0.95, tolerable=0.05, rule="letter")
    assert (plan.strata[0].letter, len(plan.jobs)) == ("J", 80)


def test_plan_when_made_again_then_it_is_the_same_and_another_seed_draws_others() -> None:
    """By the recorded seed, whatever the order in which the jobs come."""
    jobs = records(200)

    def drawn(seed: str, of: list[dict[str, Any]]) -> set[str]:
        plan = plan_audit(of, seed=seed, confidence=0.95, tolerable=0.05)
        return {job.job for job in plan.jobs}

    assert drawn("a", jobs) == drawn("a", jobs[::-1])
    assert drawn("a", jobs) != drawn("b", jobs)


def test_plan_when_drawn_with_many_seeds_then_every_job_is_drawn_about_as_often() -> None:
    """400 draws of 25 (0.95, 0.1) from 100: each is drawn n/N of the time, within 5 deviations."""
    counts: Counter[str] = Counter()
    jobs = records(100)
    for seed in range(400):
        plan = plan_audit(jobs, seed=str(seed), confidence=0.95, tolerable=0.1)
        counts.update(job.job for job in plan.jobs)
    share = plan.strata[0].draw / 100
    spread = (400 * share * (1 - share)) ** 0.5
    assert len(counts) == 100
    assert all(abs(count - 400 * share) < 5 * spread for count in counts.values())


@pytest.mark.parametrize(
    ("by", "of", "names"),
    [
        ("technician", {"technician": "Carr"}, {"Bell", "Carr"}),
        ("technician", {"technician": None}, {"Bell", "not reported"}),
        ("model", {"source": {"model": "Ream", "serial_source": None}}, {"Quire 9", "Ream"}),
        ("adapter", {"source": {"model": None, "serial_source": "adapter"}}, {"direct", "adapter"}),
        ("month", {"filed": 40 * DAY}, {"1970-01", "1970-02"}),
    ],
)
def test_plan_when_there_are_strata_then_each_is_drawn_for_the_confidence_by_itself(
    by: Any, of: dict[str, Any], names: set[str]
) -> None:
    """100 jobs of each: 45 of each are drawn (100, 5 of the table)."""
    more = [row | {"job": f"K{row['job']}"} for row in records(100, **of)]
    jobs = [*records(100), *more]
    plan = plan_audit(jobs, seed="s", confidence=0.95, tolerable=0.05, by=by)
    assert {stratum.name for stratum in plan.strata} == names
    assert Counter(job.stratum for job in plan.jobs) == dict.fromkeys(names, 45)


@pytest.mark.parametrize("by", ["technician", "model", "adapter", "month"])
def test_plan_when_drawn_from_the_index_then_it_is_that_of_the_records(
    by: Any, tmp_path: Path, command: Command
) -> None:
    """What the index keeps for a draw is what the records say."""
    archive = make_archive(tmp_path / "archive")
    docked = header(serial="DOCK", serial_source="adapter", model="Ream")
    (tmp_path / "docked").mkdir()
    filed(archive, "J-1", pair(tmp_path), technician="A. Bell")
    filed(archive, "J-2", pair(tmp_path / "docked", docked), now=40 * DAY)
    rows = [archive.record(job).model_dump(mode="json") for job in ("J-1", "J-2")]
    expected = plan_audit(rows, seed="x", confidence=0.95, tolerable=0.05, by=by)
    told = command("audit", "plan", "--archive", archive.root, "--seed", "x", "--by", by, "--json")
    assert told.document["strata"] == expected.model_dump(mode="json")["strata"]
    assert len(told.document["strata"]) == 2
    assert [row["job"] for row in told.document["jobs"]] == [row.job for row in expected.jobs]


def result(strata: list[tuple[str, int, int, int]], confidence: float) -> Result:
    """Return an audit of strata: name, jobs, drawn, unsound."""
    plan = Plan(
        seed="s",
        confidence=confidence,
        tolerable=0.05,
        rule="exact",
        by="technician",
        strata=tuple(
            Stratum(name=name, population=jobs, tolerable=1, draw=drawn, letter="A")
            for name, jobs, drawn, _ in strata
        ),
        jobs=(),
    )
    looked = tuple(
        Looked(
            job=f"{name}-{number}",
            stratum=name,
            filed=number * DAY,
            verdict="sound",
            today="sound",
            unsound="why" if number < bad else None,
        )
        for name, _, drawn, bad in strata
        for number in range(drawn)
    )
    return Result(at=0, tool_version="0", plan=plan, jobs=looked)


# Source: the largest D not excluded at 95 %, none found, by whole numbers.
@pytest.mark.parametrize(
    ("jobs", "drawn", "at_most"), [(500, 250, 4), (1_000, 59, 48), (1_000, 299, 8)]
)
def test_report_when_none_was_unsound_then_the_bound_is_the_tables(
    jobs: int, drawn: int, at_most: int
) -> None:
    """With a single stratum the whole's bound is the stratum's."""
    document = audit_document(result([("Bell", jobs, drawn, 0)], 0.95))
    assert document["at_most"] == document["strata"][0]["at_most"] == at_most
    assert document["share_at_most"] == at_most / jobs


def test_report_when_there_are_two_strata_then_both_bounds_hold_together() -> None:
    """Each at 97.5 % for the whole (Bonferroni), by scipy's hypergeometric distribution."""
    document = audit_document(result([("Bell", 200, 40, 1), ("Carr", 90, 30, 0)], 0.95))

    def limit(jobs: int, drawn: int, found: int, doubt: float) -> int:
        possible = range(found, jobs - (drawn - found) + 1)
        return max(bad for bad in possible if hypergeom.cdf(found, jobs, bad, drawn) > doubt)

    told = [row["at_most"] for row in document["strata"]]
    assert told == [limit(200, 40, 1, 0.05), limit(90, 30, 0, 0.05)]
    assert document["at_most"] == limit(200, 40, 1, 0.025) + limit(90, 30, 0, 0.025)
    assert document["unsound"] == 1
    assert sum(row["drawn"] for row in document["months"]) == 70


def test_page_when_names_carry_markup_then_it_is_text_and_the_picture_is_to_scale() -> None:
    """A technician's name is shown, not obeyed; a month's bar is as long as its jobs are many."""
    audit = result([("<b>Bell</b>", 60, 40, 10)], 0.95)
    page = html5lib.parse(audit_html(audit_document(audit)), namespaceHTMLElements=False)
    assert not list(page.iter("b"))
    assert not list(page.iter("script"))
    assert "<b>Bell</b>" in "".join(page.itertext())
    assert "jobs were judged by their records alone" in "".join(page.itertext())
    widths = [float(bar.get("width", "0")) for bar in page.iter("{http://www.w3.org/2000/svg}rect")]
    # January 1970 has 31 of the 40 drawn, ten of them unsound; February the other nine.
    assert widths == [500.0, 500 * 10 / 31, 500 * 9 / 31, 0.0]


def test_audit_when_carried_out_then_every_kind_of_unsound_job_is_found(
    tmp_path: Path, command: Command
) -> None:
    """A changed file, a file gone, a job that today is worse than it was filed; the rest well."""
    archive = make_archive(tmp_path / "archive")
    paths = pair(tmp_path)
    (tmp_path / "bad").mkdir()
    fewer = header(path="/dev/new", serial="NEW-2", file_id="device:8:16")
    lacking = fewer.model_copy(update={"partitions": tuple(usual()[:3])})
    bad = pair(tmp_path / "bad", None, lacking)
    for number in range(1, 5):
        filed(archive, f"J-{number}", paths, now=number * 40 * DAY)
    filed(archive, "J-5", bad, verdict="sound", now=10 * DAY)
    filed(archive, "J-6", bad, now=10 * DAY)
    (archive.jobs / "J-1/report.html").write_text("sound")
    (archive.jobs / "J-2/target.manifest.jsonl.gz").unlink()
    plan, out = tmp_path / "plan.json", tmp_path / "result.json"
    at = ("--archive", archive.root)
    ran = command("audit", "plan", *at, "--tolerable", "0.01", "--json", "-o", plan)
    assert ran.code == 0
    assert ran.document == json.loads(plan.read_text())
    assert {job["job"] for job in ran.document["jobs"]} == {f"J-{n}" for n in range(1, 7)}
    assert command("audit", "run", plan, *at, "-o", out).code == 0
    document = command("audit", "report", out, "--json").document
    found = {row["job"]: row["why"] for row in document["findings"]}
    assert found.keys() == {"J-1", "J-2", "J-5"}
    assert "report.html" in found["J-1"]
    assert "target.manifest.jsonl.gz" in found["J-2"]
    assert "filed as sound" in found["J-5"]
    assert (document["at_most"], document["population"]) == (3, 6)
    page = tmp_path / "audit.html"
    shown = command("audit", "report", out, "-o", page)
    assert shown.code == 0
    assert "3 of 6 drawn jobs failed" in page.read_text()
    assert all(job in page.read_text() for job in found)
    assert "3 of 6 drawn jobs failed" in shown.out
    assert "1970-01" in shown.out
    command("audit", "report", plan).assert_one_sentence(4, "audit")
    command("audit", "run", plan, *at, "-o", out).assert_one_sentence(2, "already")


def test_plan_when_there_is_nothing_to_draw_from_or_a_share_is_none_then_it_says_so(
    tmp_path: Path, command: Command
) -> None:
    """An empty archive; a confidence of one; a seed that is recorded."""
    archive = make_archive(tmp_path / "archive")
    at = ("--archive", archive.root)
    command("audit", "plan", *at).assert_one_sentence(2, "no jobs")
    filed(archive, "J-1", pair(tmp_path))
    command("audit", "plan", *at, "--confidence", "1").assert_one_sentence(2, "between")
    assert command("audit", "plan", *at, "--seed", "x", "--json").document["seed"] == "x"
    new = [command("audit", "plan", *at, "--json").document["seed"] for _ in range(2)]
    assert new[0] != new[1]
    assert "Draw 1 of 1" in command("audit", "plan", *at).out


def _no_strata(told: dict[str, Any]) -> None:
    told["plan"]["strata"] = []


def _empty_stratum(told: dict[str, Any]) -> None:
    told["plan"]["strata"][0]["population"] = 0


def _more_than_there_are(told: dict[str, Any]) -> None:
    told["plan"]["strata"][0]["population"] = 1


def _twice(told: dict[str, Any]) -> None:
    told["jobs"].append(told["jobs"][0])


def _two_of_a_name(told: dict[str, Any]) -> None:
    told["plan"]["strata"] *= 2


def _sure_twice_over(told: dict[str, Any]) -> None:
    told["plan"]["confidence"] = 2


def _no_calendar_has_it(told: dict[str, Any]) -> None:
    told["jobs"][0]["filed"] = 10**15


def _of_no_stratum(told: dict[str, Any]) -> None:
    told["jobs"][0]["stratum"] = "elsewhere"


@pytest.mark.parametrize(
    "change",
    [
        _no_strata,
        _empty_stratum,
        _more_than_there_are,
        _twice,
        _two_of_a_name,
        _sure_twice_over,
        _no_calendar_has_it,
        _of_no_stratum,
    ],
)
def test_report_when_a_result_cannot_be_one_then_it_is_a_named_error_and_no_bound_is_told(
    change: Callable[[dict[str, Any]], None], tmp_path: Path, command: Command
) -> None:
    """A bound from numbers that contradict each other would be none."""
    told = result([("Bell", 10, 3, 0)], 0.95).model_dump(mode="json", by_alias=True)
    file = tmp_path / "result.json"
    file.write_text(json.dumps(told))
    assert command("audit", "report", file).code == 0
    change(told)
    file.write_text(json.dumps(told))
    ran = command("audit", "report", file)
    assert (ran.code, ran.out) == (4, "")
    assert str(file) in ran.err
